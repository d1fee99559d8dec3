package infection

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"sync"

	"go.yaml.in/yaml/v3"
)

// Equation is what a model computes by.
type Equation string

// The equations.
const (
	// Generic is the model of Magarey, Sutton and Thayer 2005.
	Generic Equation = "generic-wetness"
	// Botrytis is the index of Broome et al. 1995.
	Botrytis Equation = "botrytis-index"
)

// Model is an infection model of one pathogen.
type Model struct {
	// ID is its identifier.
	ID string
	// Disorder is the identifier of the disorder that it is run for; empty for one
	// that only serves to compare.
	Disorder string
	Equation Equation
	// Pathogen and Host are those that the parameters were measured on.
	Pathogen, Host string
	// Parameters are those of the generic model; zero for others.
	Parameters Parameters
	// Verified is true when they were read in the publication they are of.
	Verified bool
	Source   string
}

// DisplayName says what the model is of.
func (m Model) DisplayName() string {
	if m.Equation == Botrytis {
		return "Botrytis index, measured on " + m.Host
	}
	return m.Pathogen + ", measured on " + m.Host
}

func (m Model) interruption() float64 {
	if m.Equation == Botrytis {
		return botrytisInterruption
	}
	return m.Parameters.Interruption
}

// Unverified is the sentence that must stand beside every result of a model whose
// parameters were not checked; empty when they were.
func (m Model) Unverified() string {
	if m.Verified {
		return ""
	}
	return "UNVERIFIED PARAMETERS: " + m.Source
}

//go:embed data/models.yaml
var modelsFile []byte

var models = sync.OnceValue(func() []Model {
	read, err := ReadModels(modelsFile)
	if err != nil {
		panic(err)
	}
	return read
})

// Shipped returns all models that velamen comes with.
func Shipped() []Model { return slices.Clone(models()) }

// ByID returns one model.
func ByID(id string) (Model, bool) {
	for _, m := range models() {
		if m.ID == id {
			return m, true
		}
	}
	return Model{}, false
}

type modelRow struct {
	ID           string    `yaml:"id"`
	Disorder     string    `yaml:"disorder"`
	Equation     Equation  `yaml:"equation"`
	Pathogen     string    `yaml:"pathogen"`
	Host         string    `yaml:"host"`
	Temperature  []float64 `yaml:"temperature_c"`
	Wetness      []float64 `yaml:"wetness_h"`
	Interruption float64   `yaml:"interruption_h"`
	Verified     bool      `yaml:"verified"`
	Source       string    `yaml:"source"`
}

// ReadModels reads and checks a file of models; the error lists every row that
// breaks a rule.
func ReadModels(file []byte) ([]Model, error) {
	var rows struct {
		Models []modelRow `yaml:"models"`
	}
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	if err := decoder.Decode(&rows); err != nil {
		return nil, fmt.Errorf("models: %w", err)
	}
	var read []Model
	var faults []error
	for _, row := range rows.Models {
		m, err := row.model()
		if err != nil {
			faults = append(faults, fmt.Errorf("model %q: %w", row.ID, err))
		}
		if slices.ContainsFunc(read, func(other Model) bool { return other.ID == m.ID }) {
			faults = append(faults, fmt.Errorf("model %q stands there twice", row.ID))
		}
		read = append(read, m)
	}
	if len(read) == 0 {
		faults = append(faults, errors.New("there must be models"))
	}
	return read, errors.Join(faults...)
}

func (row modelRow) model() (Model, error) {
	m := Model{
		ID: row.ID, Disorder: row.Disorder, Equation: row.Equation, Pathogen: row.Pathogen, Host: row.Host,
		Verified: row.Verified, Source: row.Source,
	}
	if row.ID == "" || row.Pathogen == "" || row.Host == "" || row.Source == "" {
		return m, errors.New("needs an id, a pathogen, a host and a source")
	}
	switch row.Equation {
	case Botrytis:
		if len(row.Temperature) > 0 || len(row.Wetness) > 0 || row.Interruption != 0 {
			return m, errors.New("the Botrytis index has no parameters")
		}
		return m, nil
	case Generic:
	default:
		return m, fmt.Errorf("the equation %q is unknown", row.Equation)
	}
	if len(row.Temperature) != 3 || len(row.Wetness) != 2 {
		return m, errors.New("needs three temperatures and two times of wetness")
	}
	m.Parameters = Parameters{
		Lowest: row.Temperature[0], Best: row.Temperature[1], Highest: row.Temperature[2],
		Least: row.Wetness[0], Most: row.Wetness[1], Interruption: row.Interruption,
	}
	return m, m.Parameters.Check()
}

// Check says which rule the parameters break.
func (p Parameters) Check() error {
	switch {
	case p.Lowest < -20 || p.Highest > 60:
		return errors.New("temperatures must lie between -20 and 60 °C")
	case !(p.Lowest < p.Best && p.Best < p.Highest):
		return errors.New("the best temperature must lie between the lowest and the highest")
	case !(p.Least > 0 && p.Least <= p.Most && p.Most <= 1000):
		return errors.New("the wet hours needed at least must be above zero and not exceed those needed at most, which are at most 1000")
	case !(p.Interruption >= 0 && p.Interruption <= 1000):
		return errors.New("the dry hours of an interruption must lie between 0 and 1000")
	default:
		return nil
	}
}
