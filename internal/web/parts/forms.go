package parts

import ()

type OptionView struct {
	ID, Value string
	On        bool
}

type ProblemView struct{ Line, Where, ID, Says string }
