// Package evaluation measures how good the ranking of disorders is: it holds cases
// written from published descriptions, none of which set a weight of the knowledge,
// and scores what the inference says of them.
//
// A published description is kinder than a bench: it names what is typical and
// leaves out what is not. The figures say how well the ranking reads textbook
// cases, and compare one version with the next; in a nursery it will do worse.
package evaluation

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
)

//go:embed vignettes/*.yaml
var files embed.FS

// vignettes are the embedded ones; a test reads them, so a fault is a broken build.
var vignettes = sync.OnceValue(func() []Vignette {
	all, err := Read(files, knowledge.Shipped())
	if err != nil {
		panic(err)
	}
	return all
})

// Shipped returns the vignettes that the binary of the tests carries.
func Shipped() []Vignette { return vignettes() }

// NoneOfThese is the disorder of a vignette whose cause the knowledge lacks.
const NoneOfThese = "none-of-these"

// hoursWet is what "leaves wet" counts for, in hours a day, and hoursDry what
// "leaves dry" does: well beyond the bounds that the inference sets for either.
const (
	hoursWet = 12.0
	hoursDry = 0.0
)

// Vignette is one published case.
type Vignette struct {
	ID, Description string
	Source          knowledge.Source
	// Plant is a genus or a binomial.
	Plant string
	Case  inference.Case
	// Disorders are the true ones, one or two identifiers; one empty one for none
	// of those known.
	Disorders []string
}

type findingRow string

type vignetteRow struct {
	ID          string       `yaml:"id"`
	Source      string       `yaml:"source"`
	Plant       string       `yaml:"plant"`
	Description string       `yaml:"description"`
	Findings    []findingRow `yaml:"findings"`
	Site        struct {
		Temperature string `yaml:"temperature_c"`
		Humidity    string `yaml:"humidity_percent"`
		Light       string `yaml:"light"`
		LeavesWet   *bool  `yaml:"leaves_wet"`
		WetMedium   *bool  `yaml:"wet_medium"`
	} `yaml:"site"`
	Disorder string `yaml:"disorder"`
}

// reader collects the vignettes and every fault in them.
type reader struct {
	base    *knowledge.Base
	sources map[string]knowledge.Source
	seen    map[string]bool
	all     []Vignette
	faults  []error
}

func (r *reader) fault(format string, args ...any) {
	r.faults = append(r.faults, fmt.Errorf(format, args...))
}

// Read reads and checks the vignettes of a folder; the error lists every row that
// breaks a rule.
func Read(folder fs.FS, base *knowledge.Base) ([]Vignette, error) {
	r := &reader{base: base, sources: map[string]knowledge.Source{}, seen: map[string]bool{}}
	names, err := fs.Glob(folder, "vignettes/*.yaml")
	if err != nil {
		return nil, fmt.Errorf("vignettes: %w", err)
	}
	for _, name := range names {
		file, err := fs.ReadFile(folder, name)
		if err != nil {
			return nil, fmt.Errorf("vignettes: %w", err)
		}
		r.file(name, file)
	}
	if err := errors.Join(r.faults...); err != nil {
		return nil, err
	}
	return r.all, nil
}

func (r *reader) file(name string, text []byte) {
	var file struct {
		Sources map[string]struct {
			Publisher string `yaml:"publisher"`
			Title     string `yaml:"title"`
			URL       string `yaml:"url"`
		} `yaml:"sources"`
		Vignettes []vignetteRow `yaml:"vignettes"`
	}
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	decoder.KnownFields(true)
	if err := decoder.Decode(&file); err != nil {
		r.fault("%s: %w", name, err)
		return
	}
	for _, key := range slices.Sorted(maps.Keys(file.Sources)) {
		row := file.Sources[key]
		address, err := url.Parse(row.URL)
		if row.Publisher == "" || row.Title == "" || err != nil || address.Host == "" {
			r.fault("%s: source %q: needs a publisher, a title and its web address", name, key)
		}
		if _, again := r.sources[key]; again {
			r.fault("%s: source %q stands there twice", name, key)
		}
		r.sources[key] = knowledge.Source{Key: key, Publisher: row.Publisher, Title: row.Title, URL: row.URL}
	}
	for _, row := range file.Vignettes {
		r.vignette(row)
	}
}

var identifier = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// mostWords keep a description short; it is in our own words.
const mostWords = 60

func (r *reader) vignette(row vignetteRow) {
	where := fmt.Sprintf("vignette %q", row.ID)
	if !identifier.MatchString(row.ID) || r.seen[row.ID] {
		r.fault("%s: the id must be words of lower-case letters and digits joined by hyphens, once", where)
	}
	r.seen[row.ID] = true
	source, known := r.sources[row.Source]
	if !known {
		r.fault("%s: the source %q stands nowhere", where, row.Source)
	}
	if words := len(strings.Fields(row.Description)); words == 0 || words > mostWords {
		r.fault("%s: the description has %d words, must have 1 to %d", where, words, mostWords)
	}
	if row.Plant == "" {
		r.fault("%s: needs a plant", where)
	}
	v := Vignette{ID: row.ID, Description: row.Description, Source: source, Plant: row.Plant, Disorders: r.truth(where, row.Disorder)}
	v.Case = inference.Case{Plant: r.base.PlantOf(row.Plant), Conditions: r.conditions(where, row)}
	for _, text := range row.Findings {
		finding, err := text.read()
		if err != nil {
			r.fault("%s: %w", where, err)
			continue
		}
		v.Case.Findings = append(v.Case.Findings, finding)
	}
	if len(v.Case.Findings) == 0 {
		r.fault("%s: needs findings", where)
	}
	if err := inference.Check(r.base, v.Case); err != nil {
		r.fault("%s: %w", where, err)
	}
	r.all = append(r.all, v)
}

// read takes "leaf:wilting" and "root:sound-roots=absent".
func (f findingRow) read() (inference.Finding, error) {
	organ, sign, separated := strings.Cut(string(f), ":")
	sign, state, said := strings.Cut(sign, "=")
	number := diagnosisv1.Organ(diagnosisv1.Organ_value["ORGAN_"+strings.ToUpper(strings.ReplaceAll(organ, "-", "_"))])
	if !separated || sign == "" || number == diagnosisv1.Organ_ORGAN_UNSPECIFIED || (said && state != "absent") {
		return inference.Finding{}, fmt.Errorf("the finding %q must be ORGAN:SIGN or ORGAN:SIGN=absent", string(f))
	}
	return inference.Finding{Organ: number, Sign: sign, Observed: !said}, nil
}

func (r *reader) truth(where, text string) []string {
	if text == NoneOfThese {
		return []string{""}
	}
	ids := strings.Split(text, " + ")
	for i, id := range ids {
		if _, known := r.base.Disorder(id); !known || slices.Contains(ids[:i], id) {
			r.fault("%s: the disorder %q is unknown or stands there twice", where, id)
		}
	}
	if len(ids) > 2 {
		r.fault("%s: has more than two disorders", where)
	}
	return ids
}

func (r *reader) conditions(where string, row vignetteRow) inference.Conditions {
	c := inference.Conditions{
		TemperatureC:    r.number(where+" temperature_c", row.Site.Temperature, -20, 60),
		HumidityPercent: r.number(where+" humidity_percent", row.Site.Humidity, 0, 100),
		WetMedium:       row.Site.WetMedium,
	}
	if row.Site.LeavesWet != nil {
		hours := hoursDry
		if *row.Site.LeavesWet {
			hours = hoursWet
		}
		c.WetHoursPerDay = &hours
	}
	if row.Site.Light != "" {
		c.Light = diagnosisv1.Light(diagnosisv1.Light_value["LIGHT_"+strings.ToUpper(row.Site.Light)])
		if c.Light == diagnosisv1.Light_LIGHT_UNSPECIFIED {
			r.fault("%s: the light must be low, usual or high", where)
		}
	}
	return c
}

func (r *reader) number(where, text string, least, most float64) *float64 {
	if text == "" {
		return nil
	}
	number, err := strconv.ParseFloat(text, 64)
	if err != nil || number < least || number > most {
		r.fault("%s: %q must be a number from %g to %g", where, text, least, most)
		return nil
	}
	return &number
}
