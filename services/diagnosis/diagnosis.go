// Package diagnosis keeps what was seen on plants and what a person concluded
// from it: inspections with their photos, what their signs point to, samples and
// their results, confirmed diagnoses, and what the law then asks for.
//
// A diagnosis is a person's decision. Wherever one is shown, so is that licensed
// advice and, where it matters, a laboratory come first.
package diagnosis

import (
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/resource"
)

// Diagnosis is a person's conclusion, as other services need it.
type Diagnosis struct {
	// ID is the last part of its name.
	ID string
	// Disorder is the identifier of what it holds the plants to have.
	Disorder string
	// Class is the disorder's class, which decides what can work at all.
	Class diagnosisv1.DisorderClass
	// Confirmer is the name of the person whose conclusion it is.
	Confirmer string
	// ConfirmTime is when they came to it, UTC.
	ConfirmTime time.Time
}

func inspectionName(nursery, id string) string {
	return resource.Of("nurseries", nursery, "inspections", id)
}

func photoName(nursery, inspection, sha256 string) string {
	return resource.Of("nurseries", nursery, "inspections", inspection, "photos", sha256)
}

func diagnosisName(nursery, id string) string {
	return resource.Of("nurseries", nursery, "diagnoses", id)
}

func sampleName(nursery, id string) string { return resource.Of("nurseries", nursery, "samples", id) }

func dutyName(nursery, id string) string { return resource.Of("nurseries", nursery, "duties", id) }

func lotName(nursery, id string) string { return resource.Of("nurseries", nursery, "lots", id) }

func personName(nursery, id string) string { return resource.Of("nurseries", nursery, "people", id) }

const organPrefix = "ORGAN_"

// storedOrgan is how an organ stands in the database.
func storedOrgan(organ diagnosisv1.Organ) string {
	return strings.TrimPrefix(organ.String(), organPrefix)
}

func storedOrgans(organs []diagnosisv1.Organ) []string {
	stored := make([]string, len(organs))
	for i, organ := range organs {
		stored[i] = storedOrgan(organ)
	}
	return stored
}

func organsOf(stored []string) []diagnosisv1.Organ {
	organs := make([]diagnosisv1.Organ, len(stored))
	for i, organ := range stored {
		organs[i] = organOf(organ)
	}
	return organs
}

func organOf(stored string) diagnosisv1.Organ {
	return diagnosisv1.Organ(diagnosisv1.Organ_value[organPrefix+stored])
}
