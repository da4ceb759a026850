package feed

import (
	"slices"
	"strings"

	"plumbline/internal/records"
)

// Keeper is a sink that keeps rows of which some code is told by nothing, to be read again when the site's
// table changes. It is told of them beside how they are handed on.
type Keeper interface {
	Unmapped(h records.Held, codes []records.SeenCode) error
}

// KeepUntold hands a row with such codes to a sink that keeps it.
func KeepUntold(sink Sink, h records.Held, codes []records.SeenCode) error {
	keeper, keeps := sink.(Keeper)
	if !keeps || len(codes) == 0 {
		return nil
	}
	return keeper.Unmapped(h, codes)
}

// longestUntold bounds the text of Untold, in bytes.
const longestUntold = 2000

// Untold names codes that nothing tells, each once, in one text.
func Untold(codes []records.SeenCode) string {
	var names []string
	for _, c := range codes {
		names = append(names, string(c.Kind)+" "+c.System+" "+c.Code)
	}
	slices.Sort(names)
	text := strings.Join(slices.Compact(names), "\n")
	return strings.ToValidUTF8(text[:min(len(text), longestUntold)], "")
}
