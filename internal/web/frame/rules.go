package frame

import (
	"sync"

	"plumbline/internal/text"
)

// ruleBook holds what each rule says, by its name; made once for a policy.
type ruleBook struct {
	mu    sync.Mutex
	hash  string
	texts map[string]string
}

func (s *Frame) ruleTexts() map[string]string {
	p := s.Deps.Policy.Current()
	s.book.mu.Lock()
	defer s.book.mu.Unlock()
	if s.book.texts == nil || s.book.hash != p.Hash {
		texts := map[string]string{}
		for _, g := range text.Explain(p.Policy) {
			for _, r := range g.Rules {
				texts[r.ID] = r.Text
			}
		}
		s.book.hash, s.book.texts = p.Hash, texts
	}
	return s.book.texts
}

// RuleLink names a rule and leads to what it says.
type RuleLink struct{ ID, URL, Says string }

// Rule links a rule's name to its explanation.
func (t Times) Rule(id string) RuleLink {
	return RuleLink{ID: id, URL: "/rules#" + id, Says: t.Rules[id]}
}
