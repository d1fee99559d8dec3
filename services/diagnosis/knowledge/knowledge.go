// Package knowledge is what velamen knows about what can be wrong with a plant:
// the vocabulary of signs, the disorders with how often each shows which sign,
// the tests that confirm them, and which plants get them. All of it is data, each
// row with its source; this package reads and checks it and decides nothing.
//
// The numbers are judgements of how often a careful person would see a sign. They
// rank what to look at next; licensed advice and, where it matters, a laboratory
// come first.
package knowledge

import (
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

// Memory is the source key of what was not read in a publication.
const Memory = "memory"

// Way is how a sign is found.
type Way struct {
	ID string
	// Minutes is about what it costs a person at the bench.
	Minutes int
	// Question begins the sentence that asks for the sign.
	Question string
	// Cuts says whether it takes a blade, which carries viruses to the next plant.
	Cuts bool
}

// Group is signs that hang together.
type Group struct {
	ID, Description string
	// Dependence is the share by which each further finding of the group is
	// weakened: 0 = on its own, 1 = says nothing new.
	Dependence float64
}

// Sign is one thing that can be seen, felt or smelt.
type Sign struct {
	// ID is its identifier, for example "ring-in-cut-face".
	ID string
	// Description is what to look, feel or smell for.
	Description string
	// Organs are those on which it is looked for.
	Organs []diagnosisv1.Organ
	// Group and Way say what it hangs together with and how it is found.
	Group, Way string
	// Excludes are the signs that cannot be true of the same organ as well.
	Excludes []string
	// Elsewhere is the chance to see it with a disorder that does not list it.
	Elsewhere float64
}

// Expectation is how often a sign is seen with a disorder.
type Expectation struct {
	Sign string
	// Organs on which it is expected; all of the sign's where none is named.
	Organs []diagnosisv1.Organ
	// Chance that a careful person who looks sees it, above 0 and below 1.
	Chance float64
	// Word is the chance as the data says it, for example "often".
	Word   string
	Source []string
}

// Frequency is how common a disorder is among the sick plants of a group.
type Frequency struct {
	// Group is a plant group, or "any" for all groups not named.
	Group string
	// Weight compares disorders with each other; it is no probability.
	Weight float64
	Word   string
}

// AnyGroup stands for all plant groups that a disorder does not name.
const AnyGroup = "any"

// Moisture is the water that a disorder wants.
type Moisture string

// What the moisture of a disorder may be.
const (
	FreeWater   Moisture = "free-water"
	WetLeaves   Moisture = "wet-leaves"
	Humid       Moisture = "humid"
	HumidNotWet Moisture = "humid-not-wet"
	WetMedium   Moisture = "wet-medium"
	Dry         Moisture = "dry"
	AnyMoisture Moisture = "any"
)

// Conditions are those that favour a disorder.
type Conditions struct {
	// LowestTemperature and HighestTemperature in °C bound the favourable range;
	// both are zero where none is known.
	LowestTemperature, HighestTemperature float64
	Moisture                              Moisture
	// Light is "low", "high" or "any".
	Light  string
	Source []string
}

// Latent is the time from infection to the first signs, in days.
type Latent struct {
	MinDays, MaxDays int
	Source           []string
}

// Contagion is how a disorder spreads.
type Contagion struct {
	Degree diagnosisv1.Contagion
	Routes []diagnosisv1.Route
	Source []string
}

// Fungicide says whether one can work.
type Fungicide struct {
	Works  diagnosisv1.FungicideUse
	Note   string
	Source []string
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
	// Plants say how common it is in which group; Genera are the only ones that
	// get it, when it is bound to its host.
	Plants []Frequency
	Genera []string
	// Signs are what it shows and what speaks against it.
	Signs []Expectation
	// LookAlikes are the ids of disorders that are taken for it.
	LookAlikes []string
	FavouredBy Conditions
	// Latent is nil where nothing spreads.
	Latent    *Latent
	Contagion Contagion
	Fungicide Fungicide
	// Confirmation says how to confirm it.
	Confirmation       string
	ConfirmationSource []string
	// Hygiene, Disposal and Environment say what to do besides any chemical.
	Hygiene, Disposal string
	Environment       []string
	HandlingSource    []string

	// mean of its weights over all plant groups.
	mean float64
}

// Test is an examination that confirms disorders.
type Test struct {
	ID, DisplayName string
	Kind            diagnosisv1.TestKind
	// Finds are the ids of the disorders it finds.
	Finds []string
	// Reads are the signs that the test looks for: whoever has looked for them has
	// made it, and a result of it is no second fact beside them.
	Reads        []string
	SampleOrgans []diagnosisv1.Organ
	// Sensitivity is the chance that it is positive when one of Finds is there,
	// Specificity that it is negative when none is; both above 0 and below 1.
	Sensitivity, Specificity float64
	// Days until its result is there.
	Days int
	// Minutes of work at the nursery.
	Minutes int
	// Cuts says whether it cuts into the plant at the bench.
	Cuts   bool
	Note   string
	Source []string
}

// DesignValues says that the shares are design values: a note about published ones
// says so.
func (t Test) DesignValues() bool { return !strings.Contains(t.Note, "Published") }

// PlantGroup is plants that share disorders.
type PlantGroup struct {
	ID, Source string
	Genera     []string
}

// OrganGenera says which genera have an organ that others lack, or lack one that
// others have.
type OrganGenera struct {
	Organ  diagnosisv1.Organ
	Genera []string
	Source string
}

// Source is a publication.
type Source struct {
	Key, Publisher, Title, URL string
}

// Base is all knowledge.
type Base struct {
	Ways        []Way
	Groups      []Group
	Signs       []Sign
	Disorders   []Disorder
	Tests       []Test
	PlantGroups []PlantGroup
	// Lacking are organs with the genera that lack them, OnlyOn with those that alone
	// have them.
	Lacking, OnlyOn []OrganGenera
	Sources         []Source

	signs     map[string]int
	disorders map[string]int
	ways      map[string]int
	groups    map[string]int
	tests     map[string]int
	sources   map[string]int
	genera    map[string]string
}

// Sign returns one sign.
func (b *Base) Sign(id string) (Sign, bool) { return find(b.Signs, b.signs, id) }

// Disorder returns one disorder.
func (b *Base) Disorder(id string) (Disorder, bool) { return find(b.Disorders, b.disorders, id) }

// Way returns one way of finding a sign.
func (b *Base) Way(id string) (Way, bool) { return find(b.Ways, b.ways, id) }

// Group returns one group of signs.
func (b *Base) Group(id string) (Group, bool) { return find(b.Groups, b.groups, id) }

// Test returns one test.
func (b *Base) Test(id string) (Test, bool) { return find(b.Tests, b.tests, id) }

// TestsFor returns the tests that find a disorder.
func (b *Base) TestsFor(disorder string) []Test {
	var tests []Test
	for _, test := range b.Tests {
		if slices.Contains(test.Finds, disorder) {
			tests = append(tests, test)
		}
	}
	return tests
}

// Source returns one source; Memory is none.
func (b *Base) Source(key string) (Source, bool) { return find(b.Sources, b.sources, key) }

func find[T any](rows []T, index map[string]int, id string) (T, bool) {
	at, found := index[id]
	if !found {
		var none T
		return none, false
	}
	return rows[at], true
}

// Plant is what the knowledge says about a plant.
type Plant struct {
	// Genus is the first word of its botanical name.
	Genus string
	// Group is the id of its plant group, empty when the genus stands in none.
	Group string
	// Lacks are the organs that the genus does not have.
	Lacks []diagnosisv1.Organ
}

// PlantOf returns what is known of a plant by its botanical name. Of a genus that
// stands nowhere nothing is known, and so it lacks nothing.
func (b *Base) PlantOf(botanicalName string) Plant {
	plant := Plant{Genus: Genus(botanicalName)}
	plant.Group = b.genera[plant.Genus]
	if plant.Group == "" {
		return plant
	}
	for _, lacking := range b.Lacking {
		if slices.Contains(lacking.Genera, plant.Genus) {
			plant.Lacks = append(plant.Lacks, lacking.Organ)
		}
	}
	for _, only := range b.OnlyOn {
		if !slices.Contains(only.Genera, plant.Genus) {
			plant.Lacks = append(plant.Lacks, only.Organ)
		}
	}
	return plant
}

// WeightIn returns how common a disorder is among the sick plants of a plant's
// group, 0 when the plant is not known to get it. Of a plant whose group is not
// known it is the mean over all groups, unless it is bound to other genera.
func (d Disorder) WeightIn(plant Plant) float64 {
	if len(d.Genera) > 0 && plant.Genus != "" && !slices.Contains(d.Genera, plant.Genus) {
		return 0
	}
	if plant.Group == "" {
		return d.mean
	}
	return d.weightIn(plant.Group)
}

func (d Disorder) weightIn(group string) float64 {
	var others float64
	for _, frequency := range d.Plants {
		if frequency.Group == group {
			return frequency.Weight
		}
		if frequency.Group == AnyGroup {
			others = frequency.Weight
		}
	}
	return others
}

// ChanceOf returns how often a sign is seen on an organ with the disorder, and
// whether the disorder says anything about it.
func (d Disorder) ChanceOf(sign string, organ diagnosisv1.Organ) (Expectation, bool) {
	for _, expected := range d.Signs {
		if expected.Sign == sign && (len(expected.Organs) == 0 || slices.Contains(expected.Organs, organ)) {
			return expected, true
		}
	}
	return Expectation{}, false
}

// LatentTimes are the shortest and the longest time from infection to the first
// signs; both are zero where nothing spreads.
func (d Disorder) LatentTimes() (shortest, longest time.Duration) {
	if d.Latent == nil {
		return 0, 0
	}
	const day = 24 * time.Hour
	return time.Duration(d.Latent.MinDays) * day, time.Duration(d.Latent.MaxDays) * day
}
