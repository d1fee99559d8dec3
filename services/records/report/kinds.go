package report

import (
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"velamen/internal/jurisdiction"
	"velamen/internal/quantity"
	"velamen/internal/rulefile"
)

//go:embed kinds.yaml
var kindsFile []byte

// shipped are the embedded kinds. They are part of the binary and a test reads them,
// so a fault in them is a broken build.
var shipped = sync.OnceValue(func() []Kind {
	kinds, err := readKinds(kindsFile)
	if err != nil {
		panic(err)
	}
	return kinds
})

// Kind is a record or report and what it must say.
type Kind struct {
	ID    string `yaml:"id"`
	Title string `yaml:"title"`
	// Section is the law that asks for it; common practice where none does.
	Section string `yaml:"section"`
	// Laws are the codes under which it may be made; none is anywhere.
	Laws []string `yaml:"laws"`
	// RestrictedOnly keeps uses of products that are not restricted-use out.
	RestrictedOnly bool `yaml:"restricted_only"`
	// Monthly demands a period of one calendar month.
	Monthly bool `yaml:"monthly"`
	// ByHouse sorts the uses by house before time.
	ByHouse bool    `yaml:"by_house"`
	Notes   []Note  `yaml:"notes"`
	Fields  []Field `yaml:"fields"`
}

// Note is a sentence of the law that stands on the report.
type Note struct {
	Text   string `yaml:"text"`
	Origin `yaml:",inline"`
}

// Field is one thing that a report must say.
type Field struct {
	// Fact names what is said, for example product-name; see facts.go.
	Fact string `yaml:"fact"`
	// Title is what the law calls it.
	Title string `yaml:"title"`
	// Need is required, optional, or the condition on which it is required.
	Need string `yaml:"need"`
	// Units are those that the rule accepts; none is as it was recorded.
	Units []UnitCode `yaml:"units"`
	// Form is a regular expression that a value matches, and FormRule says it in words.
	Form     string `yaml:"form"`
	FormRule string `yaml:"form_rule"`
	// Section is where the law asks for it.
	Section string `yaml:"section"`
	Origin  `yaml:",inline"`

	form *regexp.Regexp
}

// UnitCode is a unit with the code that the authority writes for it.
type UnitCode struct {
	Unit quantity.Unit `yaml:"unit"`
	Code string        `yaml:"code"`
}

// Origin is where a row of the data comes from.
type Origin struct {
	// Mark is S where the source was read and M where it is from memory.
	Mark   string `yaml:"mark"`
	Source string `yaml:"source"`
}

// needs of a field that are no conditions.
const (
	required = "required"
	optional = "optional"
)

// Kinds returns every kind of report, in the order of the data.
func Kinds() []Kind { return slices.Clone(shipped()) }

// Find returns the kind with an identifier. The error lists those there are.
func Find(id string) (Kind, error) {
	kinds := shipped()
	ids := make([]string, len(kinds))
	for i, kind := range kinds {
		if kind.ID == id {
			return kind, nil
		}
		ids[i] = kind.ID
	}
	return Kind{}, fmt.Errorf("%q is no kind of report; must be one of %q", id, ids)
}

// Applies says whether a report of this kind may be made in a jurisdiction; the
// error says why not. An unknown jurisdiction may make only what binds nowhere.
func (k Kind) Applies(code string) error {
	if len(k.Laws) == 0 {
		return nil
	}
	if code == "" {
		return fmt.Errorf("the jurisdiction of the nursery is not known, and %q is made under the law of %v only", k.Title, k.Laws)
	}
	if err := jurisdiction.Check(code); err != nil {
		return fmt.Errorf("the jurisdiction of the nursery is not valid: %w", err)
	}
	for _, law := range jurisdiction.Laws(code) {
		if slices.Contains(k.Laws, law) {
			return nil
		}
	}
	return fmt.Errorf("%q is made under the law of %v, and the nursery is in %s", k.Title, k.Laws, code)
}

// readKinds reads and checks kinds.yaml strictly. An error names the kind and the
// field.
func readKinds(data []byte) ([]Kind, error) {
	var file struct {
		Date  string `yaml:"date"`
		Kinds []Kind `yaml:"kinds"`
	}
	if err := rulefile.Decode(data, &file); err != nil {
		return nil, fmt.Errorf("kinds.yaml: %w", err)
	}
	if err := rulefile.CheckDay("date", file.Date); err != nil {
		return nil, fmt.Errorf("kinds.yaml: %w", err)
	}
	if len(file.Kinds) == 0 {
		return nil, errors.New("kinds.yaml: kinds: must be given")
	}
	for i := range file.Kinds {
		kind := &file.Kinds[i]
		err := kind.check()
		if err == nil && slices.ContainsFunc(file.Kinds[:i], func(other Kind) bool { return other.ID == kind.ID }) {
			err = errors.New("id: is listed twice")
		}
		if err != nil {
			return nil, fmt.Errorf("kinds.yaml: kind %d (%q): %w", i+1, kind.ID, err)
		}
	}
	return file.Kinds, nil
}

var kindID = regexp.MustCompile(`^[a-z][a-z0-9-]{2,40}$`)

func (k *Kind) check() error {
	switch {
	case !kindID.MatchString(k.ID):
		return errors.New("id: must be lower-case letters, digits and hyphens")
	case k.Title == "" || k.Section == "":
		return errors.New("title, section: must be given")
	case len(k.Fields) == 0:
		return errors.New("fields: must be given")
	}
	for _, law := range k.Laws {
		if err := jurisdiction.CheckLaw(law); err != nil {
			return fmt.Errorf("laws: %w", err)
		}
	}
	for i, note := range k.Notes {
		if note.Text == "" {
			return fmt.Errorf("note %d: text: must be given", i+1)
		}
		if err := note.check(); err != nil {
			return fmt.Errorf("note %d: %w", i+1, err)
		}
	}
	for i := range k.Fields {
		field := &k.Fields[i]
		err := field.check()
		if err == nil && slices.ContainsFunc(k.Fields[:i], func(other Field) bool { return other.Fact == field.Fact }) {
			err = errors.New("fact: is listed twice")
		}
		if err != nil {
			return fmt.Errorf("field %d (%q): %w", i+1, field.Fact, err)
		}
	}
	return nil
}

func (f *Field) check() error {
	if err := f.Origin.check(); err != nil {
		return err
	}
	known, found := facts[f.Fact]
	_, conditional := conditions[f.Need]
	switch {
	case !found:
		return errors.New("fact: is not one that reports know")
	case f.Title == "" || f.Section == "":
		return errors.New("title, section: must be given")
	case f.Need != required && f.Need != optional && !conditional:
		return fmt.Errorf("need: %q is not required, optional or a condition", f.Need)
	case conditional && known.head:
		return errors.New("need: a fact of the nursery has no condition")
	case len(f.Units) > 0 && known.of != ofQuantity:
		return errors.New("units: the fact is no amount")
	case (f.Form == "") != (f.FormRule == ""):
		return errors.New("form, form_rule: one is given without the other")
	}
	for _, unit := range f.Units {
		if !unit.Unit.Known() || unit.Code == "" {
			return fmt.Errorf("units: %q is not known or has no code", unit.Unit)
		}
	}
	if f.Form == "" {
		return nil
	}
	var err error
	f.form, err = regexp.Compile(f.Form)
	return err
}

func (o Origin) check() error { return rulefile.CheckOrigin(o.Mark, o.Source) }

// noSource begins the source of what is common practice; it is not remembered from a
// law, so a report does not say that it is.
const noSource = "common practice, no source"

// Cited returns the source as a reader is told it.
func (o Origin) Cited() string {
	if o.Mark == "M" && !strings.HasPrefix(o.Source, noSource) {
		return o.Source + " (from memory)"
	}
	return o.Source
}
