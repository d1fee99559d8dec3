package knowledge

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

//go:embed *.yaml disorders/*.yaml
var files embed.FS

// base is the embedded knowledge. The files are part of the binary and a test
// reads them, so a fault in them is a broken build.
var base = sync.OnceValue(func() *Base {
	b, err := Read(files)
	if err != nil {
		panic(err)
	}
	return b
})

// Shipped returns the knowledge that the binary carries; nobody may change it.
func Shipped() *Base { return base() }

// Read reads and checks all files; the error lists every row that breaks a rule.
func Read(folder fs.FS) (*Base, error) {
	r := &reader{folder: folder, base: &Base{
		signs: map[string]int{}, disorders: map[string]int{}, ways: map[string]int{}, groups: map[string]int{},
		tests: map[string]int{}, sources: map[string]int{}, genera: map[string]string{},
	}}
	r.chances()
	r.plants()
	r.signs()
	r.disorders()
	r.tests()
	r.crossCheck()
	if err := errors.Join(r.faults...); err != nil {
		return nil, err
	}
	return r.base, nil
}

// reader collects what the files say and every fault in them.
type reader struct {
	folder  fs.FS
	base    *Base
	words   map[string]float64
	weights map[string]float64
	faults  []error
}

func (r *reader) fault(format string, args ...any) {
	r.faults = append(r.faults, fmt.Errorf(format, args...))
}

// decode refuses fields that nobody reads: most are misspelt.
func (r *reader) decode(name string, into any) {
	file, err := fs.ReadFile(r.folder, name)
	if err != nil {
		r.fault("%s: %w", name, err)
		return
	}
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	if err := decoder.Decode(into); err != nil {
		r.fault("%s: %w", name, err)
	}
}

var identifier = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

const longestIdentifier = 60 // the contract's own limit

func (r *reader) enter(kind, id string, index map[string]int, at int) {
	if !identifier.MatchString(id) || len(id) > longestIdentifier {
		r.fault("%s %q: the id must be words of lower-case letters and digits joined by hyphens", kind, id)
	}
	if _, again := index[id]; again {
		r.fault("%s %q stands there twice", kind, id)
		return
	}
	index[id] = at
}

// greatestWeight keeps one disorder from drowning all others before anybody has
// looked.
const greatestWeight = 10

// chances are the words for probabilities and for how common a disorder is.
func (r *reader) chances() {
	var file struct {
		Source  string            `yaml:"source"`
		Chances map[string]string `yaml:"chances"`
		Weights map[string]string `yaml:"weights"`
	}
	r.decode("chances.yaml", &file)
	r.words, r.weights = map[string]float64{}, map[string]float64{}
	for word, text := range file.Chances {
		r.words[word] = r.share("chances.yaml: "+word, text)
	}
	for word, text := range file.Weights {
		weight, err := strconv.ParseFloat(text, 64)
		if err != nil || weight <= 0 || weight > greatestWeight {
			r.fault("chances.yaml: %s: the weight must be above 0 and at most %d", word, greatestWeight)
		}
		r.weights[word] = weight
	}
	if file.Source == "" || len(r.words) == 0 || len(r.weights) == 0 {
		r.fault("chances.yaml: needs a source, chances and weights")
	}
}

// share reads a probability that is neither 0 nor 1: nothing here is certain.
func (r *reader) share(where, text string) float64 {
	share, err := strconv.ParseFloat(text, 64)
	if err != nil || share <= 0 || share >= 1 {
		r.fault("%s: %q must be a number above 0 and below 1", where, text)
		return 0.5
	}
	return share
}

func (r *reader) chance(where, word string) float64 {
	chance, known := r.words[word]
	if !known {
		r.fault("%s: %q is not one of the words for a chance", where, word)
		return 0.5
	}
	return chance
}

func (r *reader) organs(where string, names []string) []diagnosisv1.Organ {
	var organs []diagnosisv1.Organ
	for _, name := range names {
		organ := enumOf(diagnosisv1.Organ_value, "ORGAN_", name)
		if organ == 0 || slices.Contains(organs, diagnosisv1.Organ(organ)) {
			r.fault("%s: the organ %q is unknown or stands there twice", where, name)
			continue
		}
		organs = append(organs, diagnosisv1.Organ(organ))
	}
	return organs
}

// enumOf reads "no-disease" as NO_DISEASE; 0 when the enum has none such.
func enumOf(values map[string]int32, prefix, word string) int32 {
	return values[prefix+strings.ToUpper(strings.ReplaceAll(word, "-", "_"))]
}

// Genus is the first word of a botanical name with a capital, however it was typed:
// whether a law names a plant must not hang on that. A cross before it or behind it
// is left out.
func Genus(botanicalName string) string {
	words := strings.Fields(strings.ReplaceAll(botanicalName, "×", " "))
	if len(words) > 0 && strings.EqualFold(words[0], "x") {
		words = words[1:]
	}
	if len(words) == 0 {
		return ""
	}
	first, size := utf8.DecodeRuneInString(words[0])
	return string(unicode.ToUpper(first)) + strings.ToLower(words[0][size:])
}

func (r *reader) plants() {
	var file struct {
		Groups []struct {
			ID     string   `yaml:"id"`
			Source string   `yaml:"source"`
			Genera []string `yaml:"genera"`
		} `yaml:"groups"`
		Lacking []organRow `yaml:"lacking"`
		OnlyOn  []organRow `yaml:"only_on"`
	}
	r.decode("plants.yaml", &file)
	ids := map[string]int{}
	for i, row := range file.Groups {
		r.enter("plant group", row.ID, ids, i)
		if row.Source == "" || len(row.Genera) == 0 || row.ID == AnyGroup {
			r.fault("plant group %q: needs genera and a source, and may not be called %q", row.ID, AnyGroup)
		}
		for _, genus := range row.Genera {
			if other, again := r.base.genera[genus]; again {
				r.fault("plant group %q: the genus %s stands in %s already", row.ID, genus, other)
			}
			r.base.genera[genus] = row.ID
		}
		r.base.PlantGroups = append(r.base.PlantGroups, PlantGroup{ID: row.ID, Source: row.Source, Genera: row.Genera})
	}
	r.base.Lacking = r.organGenera("lacking", file.Lacking)
	r.base.OnlyOn = r.organGenera("only_on", file.OnlyOn)
}

type organRow struct {
	Organ  string   `yaml:"organ"`
	Genera []string `yaml:"genera"`
	Source string   `yaml:"source"`
}

// organGenera reads which genera have, or lack, an organ; each stands in a group.
func (r *reader) organGenera(field string, rows []organRow) []OrganGenera {
	var read []OrganGenera
	for _, row := range rows {
		where := fmt.Sprintf("%s %q", field, row.Organ)
		organs := r.organs(where, []string{row.Organ})
		if len(organs) == 0 || row.Source == "" || len(row.Genera) == 0 {
			r.fault("%s: needs an organ, genera and a source", where)
			continue
		}
		for _, genus := range row.Genera {
			if _, known := r.base.genera[genus]; !known {
				r.fault("%s: the genus %s stands in no plant group", where, genus)
			}
		}
		read = append(read, OrganGenera{Organ: organs[0], Genera: row.Genera, Source: row.Source})
	}
	return read
}

// usualElsewhere is the chance word of signs that hardly anything else shows.
const usualElsewhere = "hardly"

func (r *reader) signs() {
	var file struct {
		Ways []struct {
			ID       string `yaml:"id"`
			Minutes  int    `yaml:"minutes"`
			Question string `yaml:"question"`
			Cuts     bool   `yaml:"cuts"`
		} `yaml:"ways"`
		Groups []struct {
			ID          string  `yaml:"id"`
			Dependence  float64 `yaml:"dependence"`
			Description string  `yaml:"description"`
		} `yaml:"groups"`
		Signs []struct {
			ID          string   `yaml:"id"`
			Group       string   `yaml:"group"`
			Way         string   `yaml:"way"`
			Organs      []string `yaml:"organs"`
			Excludes    []string `yaml:"excludes"`
			Elsewhere   string   `yaml:"elsewhere"`
			Description string   `yaml:"description"`
		} `yaml:"signs"`
	}
	r.decode("signs.yaml", &file)
	for i, row := range file.Ways {
		r.enter("way", row.ID, r.base.ways, i)
		if row.Minutes < 1 || row.Question == "" {
			r.fault("way %q: needs a question and at least one minute", row.ID)
		}
		r.base.Ways = append(r.base.Ways, Way{ID: row.ID, Minutes: row.Minutes, Question: row.Question, Cuts: row.Cuts})
	}
	for i, row := range file.Groups {
		r.enter("group", row.ID, r.base.groups, i)
		if !(row.Dependence >= 0 && row.Dependence <= 1) || row.Description == "" { // NaN as well
			r.fault("group %q: needs a description and a dependence of 0 to 1", row.ID)
		}
		r.base.Groups = append(r.base.Groups, Group{ID: row.ID, Description: row.Description, Dependence: row.Dependence})
	}
	for i, row := range file.Signs {
		where := fmt.Sprintf("sign %q", row.ID)
		r.enter("sign", row.ID, r.base.signs, i)
		if row.Elsewhere == "" {
			row.Elsewhere = usualElsewhere
		}
		sign := Sign{
			ID: row.ID, Description: row.Description, Organs: r.organs(where, row.Organs), Group: row.Group, Way: row.Way,
			Excludes: row.Excludes, Elsewhere: r.chance(where, row.Elsewhere),
		}
		_, group := r.base.groups[row.Group]
		_, way := r.base.ways[row.Way]
		if sign.Description == "" || len(sign.Organs) == 0 || !group || !way {
			r.fault("%s: needs a description, organs, a known group and a known way", where)
		}
		r.base.Signs = append(r.base.Signs, sign)
	}
}

type sourceRow struct {
	Publisher string `yaml:"publisher"`
	Title     string `yaml:"title"`
	URL       string `yaml:"url"`
}

func (r *reader) enterSources(rows map[string]sourceRow) {
	for key, row := range rows {
		if key == Memory || row.Publisher == "" || row.Title == "" {
			r.fault("source %q: needs a publisher and a title, and may not be called %q", key, Memory)
		}
		r.enter("source", key, r.base.sources, len(r.base.Sources))
		r.base.Sources = append(r.base.Sources, Source{Key: key, Publisher: row.Publisher, Title: row.Title, URL: row.URL})
	}
}

func (r *reader) checkSource(where string, keys []string) {
	if len(keys) == 0 {
		r.fault("%s: needs a source; %q is one", where, Memory)
	}
	for _, key := range keys {
		if _, known := r.base.sources[key]; !known && key != Memory {
			r.fault("%s: the source %q stands nowhere", where, key)
		}
	}
}
