package tracing

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.yaml.in/yaml/v3"
)

// Kind is a kind of contact, as the weights file writes it.
type Kind string

// The kinds of contact.
const (
	Plants         Kind = "plants"
	SameBench      Kind = "bench"
	NeighbourBench Kind = "neighbour-bench"
	WaterLine      Kind = "water-line"
	ToolSet        Kind = "tool-set"
	Worker         Kind = "worker"
	Crate          Kind = "crate"
	House          Kind = "house"
)

// Kinds are all kinds of contact, the closest first.
var Kinds = []Kind{Plants, SameBench, NeighbourBench, WaterLine, ToolSet, Worker, Crate, House}

// byTime are the kinds that count by the time together.
var byTime = []Kind{SameBench, NeighbourBench, WaterLine, House}

// Route is a way in which a disorder spreads, as the files of the knowledge write it.
type Route string

// Routes are all ways in which a disorder spreads.
var Routes = []Route{"splash", "water", "tools", "hands", "air", "pots", "vectors", "debris", "plants"}

// Weights say how much each kind of contact counts.
type Weights struct {
	// Source says where the numbers come from.
	Source string
	kinds  map[Kind]kindWeight
}

type kindWeight struct {
	routes      map[Route]float64
	half        time.Duration
	disinfected float64
}

//go:embed data/weights.yaml
var weightsFile []byte

// Shipped returns the weights that come with the program. They are part of it and a
// test reads them, so a fault in them is a broken build.
var Shipped = sync.OnceValue(func() *Weights {
	weights, err := ReadWeights(weightsFile)
	if err != nil {
		panic(err)
	}
	return weights
})

// contactRow is a kind of contact as the file has it.
type contactRow struct {
	Kind        Kind              `yaml:"kind"`
	Carries     map[Route]float64 `yaml:"carries"`
	CarriesAny  *float64          `yaml:"carries_any"`
	HalfHours   *float64          `yaml:"half_hours"`
	Disinfected *float64          `yaml:"disinfected"`
}

// ReadWeights reads and checks a weights file; the error lists every row that
// breaks a rule.
func ReadWeights(data []byte) (*Weights, error) {
	var read struct {
		Source   string       `yaml:"source"`
		Contacts []contactRow `yaml:"contacts"`
	}
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	decoder.KnownFields(true)
	if err := decoder.Decode(&read); err != nil {
		return nil, fmt.Errorf("weights of contacts: %w", err)
	}
	weights := &Weights{Source: read.Source, kinds: map[Kind]kindWeight{}}
	var faults []error
	if read.Source == "" {
		faults = append(faults, errors.New("source: must say where the numbers come from"))
	}
	for _, row := range read.Contacts {
		if _, twice := weights.kinds[row.Kind]; twice {
			faults = append(faults, fmt.Errorf("kind %q stands there twice", row.Kind))
			continue
		}
		weight, err := row.weight()
		if err != nil {
			faults = append(faults, fmt.Errorf("kind %q: %w", row.Kind, err))
		}
		weights.kinds[row.Kind] = weight
	}
	for _, kind := range Kinds {
		if _, found := weights.kinds[kind]; !found {
			faults = append(faults, fmt.Errorf("kind %q is missing", kind))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return nil, fmt.Errorf("weights of contacts: %w", err)
	}
	return weights, nil
}

// longestHalf is more hours than any window has; a longer one is a typing error.
const longestHalf = 10_000

func (row contactRow) weight() (kindWeight, error) {
	weight := kindWeight{routes: map[Route]float64{}, disinfected: 1}
	var faults []error
	refuse := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if !slices.Contains(Kinds, row.Kind) {
		refuse("is no kind of contact")
	}
	if (row.CarriesAny == nil) == (len(row.Carries) == 0) {
		refuse("needs either carries or carries_any")
	}
	if row.CarriesAny != nil {
		for _, route := range Routes {
			weight.routes[route] = *row.CarriesAny
		}
	}
	for route, share := range row.Carries {
		if !slices.Contains(Routes, route) {
			refuse("%q is no route", route)
		}
		weight.routes[route] = share
	}
	for route, share := range weight.routes {
		if !(share > 0 && share <= 1) { // so that what is no number fails as well
			refuse("%s: %v must be above 0 and at most 1", route, share)
		}
	}
	if slices.Contains(byTime, row.Kind) != (row.HalfHours != nil) {
		refuse("half_hours belongs to kinds that count by time, and to all of them")
	}
	if row.HalfHours != nil {
		if !(*row.HalfHours > 0 && *row.HalfHours <= longestHalf) {
			refuse("half_hours: %v must be above 0 and at most %d", *row.HalfHours, longestHalf)
		}
		weight.half = time.Duration(*row.HalfHours * float64(time.Hour))
	}
	if (row.Kind == ToolSet) != (row.Disinfected != nil) {
		refuse("disinfected belongs to tools, and must stand there")
	}
	if row.Disinfected != nil {
		if !(*row.Disinfected >= 0 && *row.Disinfected <= 1) {
			refuse("disinfected: %v must be from 0 to 1", *row.Disinfected)
		}
		weight.disinfected = *row.Disinfected
	}
	return weight, errors.Join(faults...)
}

// of returns what a full contact of a kind counts for the routes of a disorder; 0
// when it carries none of them.
func (w *Weights) of(kind Kind, routes []Route) float64 {
	missed := 1.0
	for _, route := range Routes { // in one order, so that the product is the same
		if slices.Contains(routes, route) {
			missed *= 1 - w.kinds[kind].routes[route]
		}
	}
	return 1 - missed
}

// share returns how much of a full contact one is, 0 to 1.
func (w *Weights) share(c Contact) float64 {
	weight := w.kinds[c.Kind]
	if weight.half > 0 {
		return float64(c.Together) / float64(c.Together+weight.half)
	}
	if c.Disinfected {
		return weight.disinfected
	}
	return 1
}
