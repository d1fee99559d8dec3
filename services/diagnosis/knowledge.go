package diagnosis

import (
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// Disorder is something that can be wrong with a plant, as other services need it.
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

// Disorders returns all disorders that can be diagnosed.
func Disorders() []Disorder {
	var disorders []Disorder
	for _, d := range knowledge.Shipped().Disorders {
		disorders = append(disorders, disorderOf(d))
	}
	return disorders
}

// DisorderByID returns one disorder.
func DisorderByID(id string) (Disorder, bool) {
	d, found := knowledge.Shipped().Disorder(id)
	if !found {
		return Disorder{}, false
	}
	return disorderOf(d), true
}

func disorderOf(d knowledge.Disorder) Disorder {
	return Disorder{
		ID: d.ID, DisplayName: d.DisplayName, Causes: d.Causes, Class: d.Class,
		Confirmation: d.Confirmation, Source: sourcesOfDisorder(d),
	}
}

// sourcesOfDisorder names every publication behind the disorder's facts.
func sourcesOfDisorder(d knowledge.Disorder) string {
	var keys []string
	add := func(more []string) {
		for _, key := range more {
			if !slices.Contains(keys, key) {
				keys = append(keys, key)
			}
		}
	}
	for _, sign := range d.Signs {
		add(sign.Source)
	}
	add(d.ConfirmationSource)
	add(d.HandlingSource)
	return strings.Join(citations(keys), "; ")
}

// fromMemory is what stands where nobody read a source.
const fromMemory = "from memory"

// Citations writes the knowledge's source keys out for people.
func Citations(keys []string) []string { return citations(keys) }

// citations is Citations within the package.
func citations(keys []string) []string {
	var texts []string
	for _, key := range keys {
		source, found := knowledge.Shipped().Source(key)
		switch {
		case !found:
			texts = append(texts, fromMemory)
		case source.URL == "":
			texts = append(texts, source.Publisher+", "+source.Title)
		default:
			texts = append(texts, source.Publisher+", "+source.Title+", "+source.URL)
		}
	}
	return texts
}
