package regulation

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sync"
	"time"

	"go.yaml.in/yaml/v3"

	"velamen/internal/jurisdiction"
	"velamen/internal/quantity"
	"velamen/services/diagnosis/knowledge"
)

//go:embed pests.yaml
var file []byte

// shipped are the embedded rows. They are part of the binary and a test reads them,
// so a fault in them is a broken build.
var shipped = sync.OnceValue(func() []Pest {
	pests, err := Read(file, knowledge.Shipped())
	if err != nil {
		panic(err)
	}
	return pests
})

// row is a pest as the file has it.
type row struct {
	ID                string   `yaml:"id"`
	Disorder          string   `yaml:"disorder"`
	Pests             []string `yaml:"pests"`
	Genera            []string `yaml:"genera"`
	PlantGroups       []string `yaml:"plant_groups"`
	Jurisdictions     []string `yaml:"jurisdictions"`
	Status            string   `yaml:"status"`
	Authority         string   `yaml:"authority"`
	NotifyWithinHours *int     `yaml:"notify_within_hours"`
	Duty              string   `yaml:"duty"`
	DestroyWithinM    string   `yaml:"destroy_within_m"`
	HoldWithinM       string   `yaml:"hold_within_m"`
	HoldAround        string   `yaml:"hold_around"`
	HoldDays          int      `yaml:"hold_days"`
	HoldMonths        int      `yaml:"hold_months"`
	HoldFrom          string   `yaml:"hold_from"`
	NoMasking         bool     `yaml:"no_masking"`
	RestOfLot         bool     `yaml:"rest_of_lot"`
	Source            string   `yaml:"source"`
}

// Read reads and checks a file of pests against the knowledge; the error lists
// every row that breaks a rule.
func Read(data []byte, base *knowledge.Base) ([]Pest, error) {
	var read struct {
		Pests []row `yaml:"pests"`
	}
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	decoder.KnownFields(true)
	if err := decoder.Decode(&read); err != nil {
		return nil, fmt.Errorf("pests: %w", err)
	}
	if len(read.Pests) == 0 {
		return nil, errors.New("pests: there must be some")
	}
	var pests []Pest
	var faults []error
	ids := map[string]bool{}
	for _, r := range read.Pests {
		pest, err := r.pest(base)
		if ids[r.ID] {
			err = errors.Join(err, errors.New("stands there twice"))
		}
		ids[r.ID] = true
		if err != nil {
			faults = append(faults, fmt.Errorf("pest %q: %w", r.ID, err))
		}
		pests = append(pests, pest)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return pests, nil
}

var identifier = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

const (
	longestIdentifier = 60       // the contract's own limit
	longestNotice     = 365 * 24 // hours; more is a typing error
	longestHold       = 3650     // days; more is a typing error
)

func (r row) pest(base *knowledge.Base) (Pest, error) {
	var faults []error
	refuse := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if !identifier.MatchString(r.ID) || len(r.ID) > longestIdentifier {
		refuse("the id must be words of lower-case letters and digits joined by hyphens")
	}
	if _, known := base.Disorder(r.Disorder); !known {
		refuse("%q is not a known disorder", r.Disorder)
	}
	if len(r.Pests) == 0 || r.Status == "" || r.Authority == "" || r.Duty == "" || r.Source == "" || len(r.Jurisdictions) == 0 {
		refuse("needs names, jurisdictions, a status, an authority, a duty and a source")
	}
	for _, code := range r.Jurisdictions {
		if err := jurisdiction.CheckLaw(code); err != nil {
			faults = append(faults, err)
		}
	}
	hours := 0
	if r.NotifyWithinHours == nil || *r.NotifyWithinHours < 0 || *r.NotifyWithinHours > longestNotice {
		refuse("notify_within_hours must be given, from 0 to %d", longestNotice)
	} else {
		hours = *r.NotifyWithinHours
	}
	if r.HoldDays < 0 || r.HoldDays > longestHold {
		refuse("hold_days must be from 0 to %d", longestHold)
	}
	faults = append(faults, r.checkHold())
	destroy, err := metres(r.DestroyWithinM)
	faults = append(faults, err)
	hold, err := metres(r.HoldWithinM)
	faults = append(faults, err)
	genera, err := r.genera(base)
	faults = append(faults, err)
	return Pest{
		ID: r.ID, Disorder: r.Disorder, Names: r.Pests, Genera: genera, Jurisdictions: r.Jurisdictions,
		Status: r.Status, Authority: r.Authority, NotifyWithin: time.Duration(hours) * time.Hour, Duty: r.Duty,
		DestroyWithin: destroy, HoldWithin: hold, AroundBlock: r.HoldAround == destructionBlock,
		HoldDays: r.HoldDays, HoldMonths: r.HoldMonths, FromSurvey: r.HoldFrom == surveyEnd, NoMasking: r.NoMasking, RestOfLot: r.RestOfLot,
		Source: r.Source,
	}, errors.Join(faults...)
}

// Words of hold_around and hold_from.
const (
	infectedPlants   = "infected-plants"
	destructionBlock = "destruction-block"
	holdStart        = "hold"
	surveyEnd        = "survey"
)

// checkHold holds a zone and a length to say what they count from, and only those.
func (r row) checkHold() error {
	var faults []error
	if around := r.HoldAround; (r.HoldWithinM != "") != (around != "") || (around != "" && around != infectedPlants && around != destructionBlock) {
		faults = append(faults, fmt.Errorf("hold_around must be %s or %s beside hold_within_m", infectedPlants, destructionBlock))
	}
	if from := r.HoldFrom; (r.HoldDays != 0) != (from != "") || (from != "" && from != holdStart && from != surveyEnd) {
		faults = append(faults, fmt.Errorf("hold_from must be %s or %s beside hold_days", holdStart, surveyEnd))
	}
	// The months must fit into the days, which are the longest that they can be.
	if r.HoldMonths < 0 || r.HoldMonths*daysOfMonth > r.HoldDays {
		faults = append(faults, errors.New("hold_months must be at most what hold_days hold"))
	}
	return errors.Join(faults...)
}

// daysOfMonth are the fewest days of a month.
const daysOfMonth = 28

// genera are those that the row names and those of its plant groups.
func (r row) genera(base *knowledge.Base) ([]string, error) {
	genera := slices.Clone(r.Genera)
	for _, id := range r.PlantGroups {
		at := slices.IndexFunc(base.PlantGroups, func(g knowledge.PlantGroup) bool { return g.ID == id })
		if at < 0 {
			return nil, fmt.Errorf("there is no plant group %q", id)
		}
		genera = append(genera, base.PlantGroups[at].Genera...)
	}
	return genera, nil
}

// metres reads a distance; the zero value where none is set.
func metres(text string) (quantity.Quantity, error) {
	if text == "" {
		return quantity.Quantity{}, nil
	}
	distance, err := quantity.New(text, quantity.Metre)
	if err != nil {
		return quantity.Quantity{}, fmt.Errorf("metres %q: %w", text, err)
	}
	if !distance.Positive() {
		return quantity.Quantity{}, fmt.Errorf("metres %q: must be above 0", text)
	}
	return distance, nil
}
