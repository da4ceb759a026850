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
	Hash   string
}

func (s *server) rulesPage(c *gin.Context) {
	s.show(c, http.StatusOK, "rules", rulesView{
		s.frame(c.Request.Context(), "Rules").at("rules"), text.Explain(s.Deps.Policy.Policy), s.Deps.Policy.Hash,
	})
}

// ruleBook holds what each rule says, by its name; made once.
type ruleBook struct {
	once  sync.Once
	texts map[string]string
}

func (s *server) ruleTexts() map[string]string {
	s.book.once.Do(func() {
		s.book.texts = map[string]string{}
		for _, g := range text.Explain(s.Deps.Policy.Policy) {
			for _, r := range g.Rules {
				s.book.texts[r.ID] = r.Text
			}
		}
	})
	return s.book.texts
}
