package rules

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"

	"velamen/internal/rulefile"
)

// pair is what must not meet.
type pair struct {
	id          string
	a, b        term
	aThenB      bool
	days        int
	sameDay     bool
	action      Outcome
	overridable bool
	source      string
}

// spacingSet is the rule set of spacing.yaml.
type spacingSet struct {
	classes map[string]term
	pairs   []pair
	// longest is the longest interval in days.
	longest int
}

var spacing = sync.OnceValue(func() *spacingSet { return mustLoad(spacingFile, parseSpacing) })

type spacingRows struct {
	Source  string     `yaml:"source"`
	Date    string     `yaml:"date"`
	Classes []classRow `yaml:"classes"`
	Pairs   []pairRow  `yaml:"pairs"`
}

type pairRow struct {
	ID          string `yaml:"id"`
	A           string `yaml:"a"`
	B           string `yaml:"b"`
	Order       string `yaml:"order"`
	Days        int    `yaml:"days"`
	SameDay     bool   `yaml:"same_day"`
	Action      string `yaml:"action"`
	Overridable bool   `yaml:"overridable"`
	origin      `yaml:",inline"`
}

// ruleID is the identifier of a rule that is a row of a file.
var ruleID = regexp.MustCompile(`^[a-z][a-z0-9-]{0,58}[a-z0-9]$`)

// parseSpacing reads spacing.yaml. Errors name the file, the row and the field.
func parseSpacing(file []byte) (*spacingSet, error) {
	set, err := readSpacing(file)
	if err != nil {
		return nil, fmt.Errorf("spacing.yaml: %w", err)
	}
	return set, nil
}

func readSpacing(file []byte) (*spacingSet, error) {
	var rows spacingRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rulefile.CheckHead(rows.Source, rows.Date); err != nil {
		return nil, err
	}
	classes, err := readClasses(rows.Classes)
	if err != nil {
		return nil, err
	}
	set := &spacingSet{classes: classes}
	seen := map[string]bool{}
	for i, row := range rows.Pairs {
		read, err := row.pair(classes)
		if err == nil && seen[row.ID] {
			err = errors.New("id: is listed twice")
		}
		if err != nil {
			return nil, fmt.Errorf("pairs row %d (%q): %w", i+1, row.ID, err)
		}
		seen[row.ID] = true
		set.pairs = append(set.pairs, read)
		set.longest = max(set.longest, read.days)
	}
	return set, nil
}

func (row pairRow) pair(classes map[string]term) (pair, error) {
	if err := row.check(); err != nil {
		return pair{}, err
	}
	read := pair{
		id: row.ID, days: row.Days, sameDay: row.SameDay, overridable: row.Overridable, source: row.Source,
		aThenB: row.Order == "a-then-b",
	}
	switch {
	case !ruleID.MatchString(row.ID) || strings.HasPrefix(row.ID, "label-") || strings.HasPrefix(row.ID, "rotation-"):
		return pair{}, errors.New("id: is not the identifier of a spacing rule")
	case row.Order != "either" && row.Order != "a-then-b":
		return pair{}, fmt.Errorf("order: %q is not either or a-then-b", row.Order)
	case row.Days < 0 || row.Days > mostDays:
		return pair{}, fmt.Errorf("days: must be from 0 to %d", mostDays)
	case (row.Days > 0) == row.SameDay:
		return pair{}, errors.New("days, same_day: one of them must be given")
	}
	var err error
	if read.action, err = action(row.Action); err != nil {
		return pair{}, err
	}
	if read.a, err = readTerm(row.A, classes); err != nil {
		return pair{}, fmt.Errorf("a: %w", err)
	}
	if read.b, err = readTerm(row.B, classes); err != nil {
		return pair{}, fmt.Errorf("b: %w", err)
	}
	return read, nil
}
