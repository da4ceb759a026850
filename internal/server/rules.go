package server

import (
	"net/http"
	"sync"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
)

// rulesView explains every rule that a page may name.
type rulesView struct {
	frame
	Groups []text.RuleGroup
	Terms  []text.Term
	Hash   string
}

func (s *server) rulesPage(c *gin.Context) {
	p := s.policyOf(c)
	s.show(c, http.StatusOK, "rules", rulesView{s.frame(c, text.Say("rules.heading")).at("/rules"), text.Explain(p.Policy), text.Terms(), p.Hash})
}

// ruleBook holds what each rule says, by its name; made once for a policy.
type ruleBook struct {
	mu    sync.Mutex
	hash  string
	texts map[string]string
}

func (s *server) ruleTexts() map[string]string {
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
