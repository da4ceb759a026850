package policy

import (
	"io"
	"strings"

	"go.yaml.in/yaml/v3"

	"plumbline/internal/clinical"
)

// Print writes p as a policy file: every key with its comment, source and
// allowed range, as default.yaml has them, and the values of p. Load reads the
// same policy back. The error is the writer's.
func Print(w io.Writer, p clinical.Policy) error {
	var document yaml.Node
	if err := yaml.Unmarshal([]byte(defaultYAML), &document); err != nil {
		return err
	}
	at := fields(&p)
	lines := strings.Split(defaultYAML, "\n")
	for path, n := range leaves(document.Content[0], "") {
		k, _ := byPath(path)
		line := &lines[n.Line-1] // the value runs to its end
		*line = (*line)[:n.Column-1] + k.text(at[path])
	}
	_, err := io.WriteString(w, strings.Join(lines, "\n"))
	return err
}

// leaves maps the paths of a mapping's leaves to their values.
func leaves(n *yaml.Node, prefix string) map[string]*yaml.Node {
	found := map[string]*yaml.Node{}
	for i := 0; i < len(n.Content); i += 2 {
		path, value := prefix+n.Content[i].Value, n.Content[i+1]
		if value.Kind != yaml.MappingNode {
			found[path] = value
			continue
		}
		for inner, leaf := range leaves(value, path+".") {
			found[inner] = leaf
		}
	}
	return found
}
