package parts

// Question is a question of a list with its answers, for the template "questions".
type Question struct {
	Name    string
	Answers []Answer
}

// Answer is an answer: how many patients or things it stands for, and the list with it.
type Answer struct {
	Name, URL string
	Count     string // "" where it is not counted
	On        bool
}
