package main

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/report"
)

// answer is what the other implementation answered for one moment: the lists of all
// units, and the sets of some stays.
type answer struct {
	AsOf  string         `json:"as_of"`
	Lists []any          `json:"lists"`
	Sets  map[string]any `json:"sets"`
}

// figure is one compared figure: where it stands, and what both say of it.
type figure struct {
	asOf, name    string
	second, own   any
	inSecond, has bool // whether each says anything
}

func (f figure) key() string { return f.asOf + "\t" + f.name }

func (f figure) agrees() bool {
	return f.inSecond && f.has && same(f.second, f.own) || f.inSecond != f.has && empty(f.second) && empty(f.own)
}

// readAnswers reads the frozen answers.
func readAnswers(path string) (answers []answer, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	return answers, json.NewDecoder(z).Decode(&answers)
}

// readFeed reads the feed that both were given.
func readFeed(dir string, zone *time.Location, now time.Time) (*assesstest.Memory, error) {
	m := &assesstest.Memory{}
	files, err := filepath.Glob(dir + "/*.csv")
	if err != nil || len(files) == 0 {
		return nil, fmt.Errorf("no feed in %s", dir)
	}
	for _, path := range files {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		err = m.Read(f, filepath.Base(path), zone, now)
		_ = f.Close()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	}
	return m, nil
}

// compare lists every figure of the answers beside this program's, by moment and name.
func compare(ctx context.Context, feed *assesstest.Memory, answers []answer) ([]figure, error) {
	service := &assess.Service{Store: feed, Policy: policy.Default(), Zone: time.UTC}
	versions, err := feed.Versions(ctx, feed.Stays())
	if err != nil {
		return nil, err
	}
	var all []figure
	for _, a := range answers {
		at, err := time.Parse(time.RFC3339, a.AsOf)
		if err != nil {
			return nil, err
		}
		for _, list := range a.Lists {
			unit, _ := list.(map[string]any)["unit"].(string)
			own, err := ownList(ctx, service, unit, at)
			if err != nil {
				return nil, err
			}
			if all, err = beside(all, a.AsOf, "list "+unit, list, own); err != nil {
				return nil, err
			}
		}
		for stay, sets := range a.Sets {
			c := clinical.ChartAt(stay, versions[stay], at)
			own := report.SetsOf(stay, service.Digest(c).Sets)
			if all, err = beside(all, a.AsOf, "sets "+stay, sets, own); err != nil {
				return nil, err
			}
		}
	}
	slices.SortFunc(all, func(a, b figure) int { return strings.Compare(a.key(), b.key()) })
	return all, nil
}

func ownList(ctx context.Context, s *assess.Service, unit string, at time.Time) (any, error) {
	list, err := s.List(ctx, unit, at)
	return report.ListOf(unit, "", s.Policy.Current().Policy.Unit, list, s.Catalogue(at)), err
}

// beside puts two documents beside each other, figure by figure.
func beside(all []figure, asOf, where string, second, own any) ([]figure, error) {
	theirs, err := figuresOf(second)
	if err != nil {
		return all, err
	}
	ours, err := figuresOf(own)
	if err != nil {
		return all, err
	}
	for name, v := range theirs {
		mine, has := ours[name]
		all = append(all, figure{asOf: asOf, name: where + " " + name, second: v, own: mine, inSecond: true, has: has})
	}
	for name, v := range ours {
		if _, known := theirs[name]; !known {
			all = append(all, figure{asOf: asOf, name: where + " " + name, own: v, has: true})
		}
	}
	return all, nil
}
