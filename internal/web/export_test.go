package web

// Ways lists what the router answers, as "METHOD pattern", and the rule that stands
// beside each in the table, "" where there is none.
func Ways(d Deps) map[string]string {
	f, routes := assemble(d)
	ways := map[string]string{}
	for _, r := range f.Handler(routes).Routes() {
		way := r.Method + " " + r.Path
		ways[way] = ""
		if rule, ok := f.RuleOf(r.Method, r.Path); ok {
			ways[way] = rule.String()
		}
	}
	return ways
}
