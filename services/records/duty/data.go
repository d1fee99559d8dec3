package duty

import (
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"sync"

	"velamen/internal/jurisdiction"
	"velamen/internal/rulefile"
)

var (
	//go:embed data/places.yaml
	placesFile []byte
	//go:embed data/deadlines.yaml
	deadlinesFile []byte
	//go:embed data/retention.yaml
	retentionFile []byte
	//go:embed data/short-form.yaml
	shortFormFile []byte
)

// law is all that the files say.
type law struct {
	places     []place
	deadlines  deadlineSet
	retention  []retentionRule
	shortForms []shortForm
}

// shipped is the embedded law. It is part of the binary and a test reads it, so a
// fault in it is a broken build.
var shipped = sync.OnceValue(func() *law {
	l, err := readLaw(placesFile, deadlinesFile, retentionFile, shortFormFile)
	if err != nil {
		panic(err)
	}
	return l
})

func readLaw(places, deadlines, retention, shortForms []byte) (*law, error) {
	l := new(law)
	var err error
	if l.places, err = parsePlaces(places); err != nil {
		return nil, fmt.Errorf("places.yaml: %w", err)
	}
	if l.deadlines, err = parseDeadlines(deadlines); err != nil {
		return nil, fmt.Errorf("deadlines.yaml: %w", err)
	}
	if l.retention, err = parseRetention(retention); err != nil {
		return nil, fmt.Errorf("retention.yaml: %w", err)
	}
	if l.shortForms, err = parseShortForms(shortForms); err != nil {
		return nil, fmt.Errorf("short-form.yaml: %w", err)
	}
	// A law without a place would bind without anybody having said what was read of it.
	for _, code := range l.codes() {
		if !l.read(code) {
			return nil, fmt.Errorf("places.yaml: no row for %s, which has rules", code)
		}
	}
	return l, nil
}

func (l *law) codes() []string {
	var codes []string
	for _, rule := range l.deadlines.rules {
		codes = append(codes, rule.law)
	}
	for _, rule := range l.retention {
		codes = append(codes, rule.law)
	}
	for _, form := range l.shortForms {
		codes = append(codes, form.law)
	}
	return codes
}

// head is where a file comes from.
type head struct {
	Source string `yaml:"source"`
	Date   string `yaml:"date"`
}

func (h head) check() error { return rulefile.CheckHead(h.Source, h.Date) }

// origin is where a row comes from.
type origin struct {
	Mark   string `yaml:"mark"`
	Source string `yaml:"source"`
}

// verified reports whether the row was read in its source.
func (o origin) verified() bool { return o.Mark == "S" }

// check holds a row that was not read in its source to say so in words, since people
// see the source and not the mark.
func (o origin) check() error { return rulefile.CheckOriginInWords(o.Mark, o.Source) }

// ruleID is the form of an identifier of a row.
var ruleID = regexp.MustCompile(`^[a-z][a-z0-9-]{0,58}[a-z0-9]$`)

// checkRow refuses a row without an identifier of its own, a law and a source.
func checkRow(id, code string, o origin, seen map[string]bool) error {
	if !ruleID.MatchString(id) {
		return errors.New("id: must be lower-case letters, digits and hyphens, at most 60")
	}
	if seen[id] {
		return errors.New("id: is listed twice")
	}
	seen[id] = true
	if err := jurisdiction.CheckLaw(code); err != nil {
		return fmt.Errorf("law: %w", err)
	}
	return o.check()
}

type placeRow struct {
	Code     string `yaml:"code"`
	Below    string `yaml:"below"`
	NotKnown bool   `yaml:"not_known"`
	Says     string `yaml:"says"`
	origin   `yaml:",inline"`
}

func parsePlaces(file []byte) ([]place, error) {
	var rows struct {
		head   `yaml:",inline"`
		Places []placeRow `yaml:"places"`
	}
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rows.check(); err != nil {
		return nil, err
	}
	var places []place
	seen := map[string]bool{}
	for i, row := range rows.Places {
		err := row.check()
		switch {
		case err != nil:
		case jurisdiction.CheckLaw(row.Code) != nil:
			err = fmt.Errorf("code: %w", jurisdiction.CheckLaw(row.Code))
		case seen[row.Code]:
			err = errors.New("code: is listed twice")
		case row.Below != "bound" && row.Below != "own-law":
			err = fmt.Errorf("below: %q is not bound or own-law", row.Below)
		case row.Says == "":
			err = errors.New("says: must be given")
		}
		if err != nil {
			return nil, fmt.Errorf("places row %d (%q): %w", i+1, row.Code, err)
		}
		seen[row.Code] = true
		places = append(places, place{code: row.Code, ownBelow: row.Below == "own-law", notKnown: row.NotKnown, says: row.Says})
	}
	return places, nil
}
