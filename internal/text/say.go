package text

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"sort"
	"strings"
)

// The words of the pages stand in en/, one file for each page, so that they can be
// translated without a line of code: a copy of the folder, each value in another
// language.
//
//go:embed en
var english embed.FS

var pageWords = mustReadWords(english, "en")

// mustReadWords reads every file of a folder of words. The name of a file and a
// dot start each of its keys. It panics where a file cannot be read: a fault of the
// program, seen at its start.
func mustReadWords(files fs.FS, folder string) map[string]string {
	all := map[string]string{}
	names, err := fs.Glob(files, folder+"/*.json")
	if err != nil {
		panic(err)
	}
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			panic(err)
		}
		of := map[string]string{}
		if err := json.Unmarshal(body, &of); err != nil {
			panic(fmt.Sprintf("%s is not a flat object of strings: %v", name, err))
		}
		start := strings.TrimSuffix(path.Base(name), ".json")
		for key, value := range of {
			all[start+"."+key] = value
		}
	}
	return all
}

// Say is the sentence of the catalogue under a key such as "huddle.heading", with
// the arguments in the places of its verbs (those of package fmt; a translation may
// order them as %[2]s). A key that is not in the catalogue is said as it stands, in
// brackets; a test sees to it that no template asks for one.
func Say(key string, args ...any) string {
	s, ok := pageWords[key]
	switch {
	case !ok:
		return "[" + key + "]"
	case len(args) == 0:
		return s
	}
	return fmt.Sprintf(s, args...)
}

// SayKeys lists every key of the catalogue, sorted.
func SayKeys() []string {
	keys := make([]string, 0, len(pageWords))
	for k := range pageWords {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
