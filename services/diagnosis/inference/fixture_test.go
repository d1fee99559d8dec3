package inference

import (
	"fmt"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

// findings reads "leaf:soft-wet-rot" and "root:sound-roots=absent".
func findings(texts ...string) []Finding {
	var all []Finding
	for _, text := range texts {
		organ, sign, _ := strings.Cut(text, ":")
		sign, absent := strings.CutSuffix(sign, "=absent")
		number, known := diagnosisv1.Organ_value["ORGAN_"+strings.ToUpper(strings.ReplaceAll(organ, "-", "_"))]
		if !known {
			panic(fmt.Sprintf("no organ %q", organ))
		}
		all = append(all, Finding{Organ: diagnosisv1.Organ(number), Sign: sign, Observed: !absent})
	}
	return all
}
