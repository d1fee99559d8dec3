package notice

import (
	"embed"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"velamen/internal/rulefile"
)

//go:embed data/*.yaml
var files embed.FS

// languages are those of every sheet, in the order in which they are printed.
var languages = []string{"en", "es"}

// texts are what the sheets say, by language and key. Every key has every language.
type texts map[string]map[string]string

var printed = sync.OnceValue(func() texts {
	all := map[string][]byte{}
	for _, language := range languages {
		file, err := files.ReadFile("data/" + language + ".yaml")
		if err != nil {
			panic(err)
		}
		all[language] = file
	}
	// The files are part of the binary and tests read them, so a fault in one is a
	// broken build.
	read, err := parseTexts(all)
	if err != nil {
		panic(err)
	}
	return read
})

type textFile struct {
	Language string             `yaml:"language"`
	Source   string             `yaml:"source"`
	Date     string             `yaml:"date"`
	Texts    map[string]textRow `yaml:"texts"`
}

type textRow struct {
	// Mark is S where the source was read, M where it is from memory and "own" for own
	// words, which have no source.
	Mark   string `yaml:"mark"`
	Source string `yaml:"source"`
	Text   string `yaml:"text"`
}

func (r textRow) check() error {
	if strings.TrimSpace(r.Text) == "" {
		return errors.New("text: must be given")
	}
	switch r.Mark {
	case "S", "M":
		return rulefile.CheckOriginInWords(r.Mark, r.Source)
	case "own":
		if r.Source != "" {
			return errors.New("source: own words have none")
		}
		return nil
	default:
		return fmt.Errorf("mark: %q is not S (read in the source), M (from memory) or own", r.Mark)
	}
}

// parseTexts reads the file of each language. Errors name the file and the key.
func parseTexts(all map[string][]byte) (texts, error) {
	read := texts{}
	for _, language := range languages {
		set, err := parseLanguage(language, all[language])
		if err != nil {
			return nil, fmt.Errorf("%s.yaml: %w", language, err)
		}
		read[language] = set
	}
	return read, read.check()
}

func parseLanguage(language string, file []byte) (map[string]string, error) {
	var rows textFile
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if rows.Language != language {
		return nil, fmt.Errorf("language: %q is not %s", rows.Language, language)
	}
	if err := rulefile.CheckHead(rows.Source, rows.Date); err != nil {
		return nil, err
	}
	set := map[string]string{}
	for _, key := range slices.Sorted(maps.Keys(rows.Texts)) {
		row := rows.Texts[key]
		if err := row.check(); err != nil {
			return nil, fmt.Errorf("%s: %w", key, err)
		}
		set[key] = row.Text
	}
	return set, nil
}

var places = regexp.MustCompile(`\{[a-z]+\}`)

// check refuses a key that lacks a language, and texts of one key that do not leave a
// place for the same facts.
func (t texts) check() error {
	first := t[languages[0]]
	for _, language := range languages[1:] {
		for _, key := range slices.Sorted(maps.Keys(first)) {
			text, known := t[language][key]
			if !known {
				return fmt.Errorf("%s.yaml: %s: is missing", language, key)
			}
			if !slices.Equal(facts(first[key]), facts(text)) {
				return fmt.Errorf("%s.yaml: %s: must have a place for %s", language, key, strings.Join(facts(first[key]), ", "))
			}
		}
		for _, key := range slices.Sorted(maps.Keys(t[language])) {
			if _, known := first[key]; !known {
				return fmt.Errorf("%s.yaml: %s: is missing", languages[0], key)
			}
		}
	}
	return nil
}

// facts are the places of a text, sorted.
func facts(text string) []string {
	found := places.FindAllString(text, -1)
	slices.Sort(found)
	return found
}

// in returns a text in a language with its facts, which come in pairs of a name and what
// to write. It panics for a key that is not there: keys stand in this package only.
func (t texts) in(language, key string, pairs ...string) string {
	text, known := t[language][key]
	if !known {
		panic("no text " + key)
	}
	named := make([]string, len(pairs))
	for i, part := range pairs {
		named[i] = part
		if i%2 == 0 {
			named[i] = "{" + part + "}"
		}
	}
	return strings.NewReplacer(named...).Replace(text)
}

// entryFacts are the facts that the rules of entry name as missing: the English text of
// each is their phrase.
var entryFacts = []string{
	"fact.products", "fact.interval", "fact.enclosed", "fact.form", "fact.droplets", "fact.respirator", "fact.height",
	"fact.law", "fact.both", "fact.end",
}

// fact returns in a language a fact that the rules of entry name as missing. It returns
// false, and the fact as they name it, for one that has no text.
func (t texts) fact(language, named string) (string, bool) {
	for _, key := range entryFacts {
		before, after, ofProduct := strings.Cut(t[languages[0]][key], "{product}")
		if !ofProduct {
			if named == before {
				return t.in(language, key), true
			}
			continue
		}
		if product, found := strings.CutPrefix(named, before); found && strings.HasSuffix(product, after) {
			return t.in(language, key, "product", strings.TrimSuffix(product, after)), true
		}
	}
	return named, false
}

// both returns a text in all languages, one after another.
func (t texts) both(key string, pairs ...string) string {
	all := make([]string, len(languages))
	for i, language := range languages {
		all[i] = t.in(language, key, pairs...)
	}
	return strings.Join(all, " / ")
}
