package entry

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"velamen/internal/jurisdiction"
	"velamen/internal/rulefile"
)

//go:embed data/*.yaml
var files embed.FS

// federal is the code of the law whose table, intervals and exceptions are entered.
const federal = "US"

// read returns an embedded file.
func read(name string) []byte {
	file, err := files.ReadFile("data/" + name)
	if err != nil {
		panic(err)
	}
	return file
}

// load reads an embedded file. The files are part of the binary and tests read them,
// so a fault in one is a broken build.
func load[T any](name string, parse func([]byte) (T, error)) T {
	set, err := parse(read(name))
	if err != nil {
		panic(err)
	}
	return set
}

// head is what every file of one law begins with.
type head struct {
	Law    string `yaml:"law"`
	Source string `yaml:"source"`
	Date   string `yaml:"date"`
}

func (h head) check() error {
	if h.Law != federal {
		return fmt.Errorf("law: %q is not %s", h.Law, federal)
	}
	return rulefile.CheckHead(h.Source, h.Date)
}

// origin is where a row comes from.
type origin struct {
	// Mark is S where the source was read and M where it is from memory.
	Mark   string `yaml:"mark"`
	Source string `yaml:"source"`
}

func (o origin) check() error { return rulefile.CheckOrigin(o.Mark, o.Source) }

const (
	mostHours = 1000 // h; more is a typing error
	mostDays  = 3660 // d; more is a typing error
)

// whole refuses a number outside its bounds.
func whole(field string, number, least, most int) error {
	if number < least || number > most {
		return fmt.Errorf("%s: must be from %d to %d", field, least, most)
	}
	return nil
}

// lawFor returns which of some laws decides in a jurisdiction, the narrowest first,
// and whether it only stands in where no law is entered. It returns an error for a
// jurisdiction that is not known: nothing is open under a law that nobody knows.
func lawFor(code string, entered ...string) (law string, standsIn bool, err error) {
	if err := jurisdiction.Check(code); err != nil {
		return "", false, fmt.Errorf("the nursery's law is not known: %w", err)
	}
	for _, law := range jurisdiction.Laws(code) {
		if slices.Contains(entered, law) {
			return law, false, nil
		}
	}
	return federal, true, nil
}

// standIn says that the federal values are design values in a jurisdiction.
func standIn(code string) string {
	return fmt.Sprintf("No rule of entry of %s is entered: the federal ones of the United States stand in as design values, and local law may ask for more.", code)
}

func contains(list []string, wanted string) bool { return slices.Contains(list, wanted) }

func checkLaw(code string) error {
	if err := jurisdiction.CheckLaw(code); err != nil {
		return fmt.Errorf("law: %w", err)
	}
	return nil
}

// sentence writes an error as a sentence.
func sentence(err error) string {
	text := err.Error()
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
