package server

// Ways lists what the router answers, as "METHOD pattern", and the rule that stands
// beside each in the table, "" where there is none.
func Ways(d Deps) map[string]string {
	s, g := build(d)
	ways := map[string]string{}
	for _, r := range g.Routes() {
		way := r.Method + " " + r.Path
		ways[way] = ""
		if rule, ok := s.rules[way]; ok {
			ways[way] = rule.String()
		}
	}
	return ways
}

// LocalPath is localPath.
func LocalPath(s string) string { return localPath(s) }

// OverTimeFile is the name of a download.
func OverTimeFile(unit, by, ending string) string {
	return fileName(overTimeAsked{unit: unit, by: by}, ending)
}
