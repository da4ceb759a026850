package records

// How the audit names who is no account. An account has none of these names, and none
// that begins with TokenWho.
const (
	CommandLine = "command line" // whoever may run the program's commands
	Program     = "program"      // the program itself
	TokenWho    = "token "       // before the name of a machine's token
)
