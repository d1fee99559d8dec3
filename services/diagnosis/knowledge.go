package diagnosis

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

// Sign is one thing that can be seen, felt or smelt.
type Sign struct {
	// ID is its identifier, for example "ring-in-cut-face".
	ID string
	// Description is what to look, feel or smell for.
	Description string
	// Organs are those on which it is looked for.
	Organs []diagnosisv1.Organ
}

// Disorder is something that can be wrong with a plant.
type Disorder struct {
	// ID is its identifier, for example "black-rot".
	ID string
	// DisplayName is the common name.
	DisplayName string
	// Causes are the organisms or the cause, all names in use.
	Causes []string
	// Class says what kind of cause it is.
	Class diagnosisv1.DisorderClass
	// Confirmation says how to confirm it.
	Confirmation string
	// Source is where the facts come from.
	Source string
}

var (
	//go:embed knowledge/signs.yaml
	signsFile []byte
	//go:embed knowledge/disorders.yaml
	disordersFile []byte
)

// knowledge is what the two files say.
type knowledge struct {
	signs     []Sign
	disorders []Disorder
}

// known is the embedded knowledge. The files are part of the binary and a test
// reads them, so a fault in them is a broken build; New reads them at start.
var known = sync.OnceValue(func() knowledge {
	k, err := parseKnowledge(signsFile, disordersFile)
	if err != nil {
		panic(err)
	}
	return k
})

// Signs returns the whole vocabulary, in the order in which it is asked for.
func Signs() []Sign { return slices.Clone(known().signs) }

// Disorders returns all disorders that can be diagnosed.
func Disorders() []Disorder { return slices.Clone(known().disorders) }

// DisorderByID returns one disorder.
func DisorderByID(id string) (Disorder, bool) {
	for _, disorder := range known().disorders {
		if disorder.ID == id {
			return disorder, true
		}
	}
	return Disorder{}, false
}

func signByID(id string) (Sign, bool) {
	for _, sign := range known().signs {
		if sign.ID == id {
			return sign, true
		}
	}
	return Sign{}, false
}

type signRow struct {
	ID          string   `yaml:"id"`
	Description string   `yaml:"description"`
	Organs      []string `yaml:"organs"`
}

type disorderRow struct {
	ID           string   `yaml:"id"`
	DisplayName  string   `yaml:"display_name"`
	Class        string   `yaml:"class"`
	Causes       []string `yaml:"causes"`
	Confirmation string   `yaml:"confirmation"`
	Source       string   `yaml:"source"`
}

// parseKnowledge reads and checks both files; the error lists every row that
// breaks a rule.
func parseKnowledge(signs, disorders []byte) (knowledge, error) {
	var signRows struct {
		Signs []signRow `yaml:"signs"`
	}
	if err := decodeStrictly(signs, &signRows); err != nil {
		return knowledge{}, fmt.Errorf("signs: %w", err)
	}
	var disorderRows struct {
		Disorders []disorderRow `yaml:"disorders"`
	}
	if err := decodeStrictly(disorders, &disorderRows); err != nil {
		return knowledge{}, fmt.Errorf("disorders: %w", err)
	}
	var k knowledge
	var faults []error
	ids := map[string]bool{}
	for _, row := range signRows.Signs {
		sign, err := row.sign()
		faults = append(faults, err, unique("sign", row.ID, ids))
		k.signs = append(k.signs, sign)
	}
	clear(ids)
	for _, row := range disorderRows.Disorders {
		disorder, err := row.disorder()
		faults = append(faults, err, unique("disorder", row.ID, ids))
		k.disorders = append(k.disorders, disorder)
	}
	if len(k.signs) == 0 || len(k.disorders) == 0 {
		faults = append(faults, errors.New("there must be signs and disorders"))
	}
	return k, errors.Join(faults...)
}

// decodeStrictly refuses fields that nobody reads: most are misspelt.
func decodeStrictly(file []byte, into any) error {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	return decoder.Decode(into)
}

var identifier = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

const longestIdentifier = 60 // the contract's own limit

func unique(kind, id string, seen map[string]bool) error {
	if !identifier.MatchString(id) || len(id) > longestIdentifier {
		return fmt.Errorf("%s %q: the id must be words of lower-case letters and digits joined by hyphens", kind, id)
	}
	if seen[id] {
		return fmt.Errorf("%s %q stands there twice", kind, id)
	}
	seen[id] = true
	return nil
}

func (row signRow) sign() (Sign, error) {
	sign := Sign{ID: row.ID, Description: row.Description}
	if row.Description == "" || len(row.Organs) == 0 {
		return sign, fmt.Errorf("sign %q: needs a description and organs", row.ID)
	}
	for _, name := range row.Organs {
		organ := organOf(enumName(name))
		if organ == diagnosisv1.Organ_ORGAN_UNSPECIFIED || slices.Contains(sign.Organs, organ) {
			return sign, fmt.Errorf("sign %q: the organ %q is unknown or stands there twice", row.ID, name)
		}
		sign.Organs = append(sign.Organs, organ)
	}
	return sign, nil
}

func (row disorderRow) disorder() (Disorder, error) {
	disorder := Disorder{
		ID: row.ID, DisplayName: row.DisplayName, Causes: row.Causes, Confirmation: row.Confirmation, Source: row.Source,
		Class: diagnosisv1.DisorderClass(diagnosisv1.DisorderClass_value["DISORDER_CLASS_"+enumName(row.Class)]),
	}
	if disorder.Class == diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED {
		return disorder, fmt.Errorf("disorder %q: the class %q is unknown", row.ID, row.Class)
	}
	if row.DisplayName == "" || row.Confirmation == "" || row.Source == "" || len(row.Causes) == 0 || slices.Contains(row.Causes, "") {
		return disorder, fmt.Errorf("disorder %q: needs a display name, causes, a confirmation and a source", row.ID)
	}
	return disorder, nil
}

// enumName turns "no-disease" into "NO_DISEASE".
func enumName(word string) string { return strings.ToUpper(strings.ReplaceAll(word, "-", "_")) }
