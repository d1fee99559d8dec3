package inference

import (
	"testing"

	"velamen/services/diagnosis/knowledge"
)

// BenchmarkAssess weighs a whole case, its questions included: one of which little
// is known, so that nearly no pair is out of the question, and a usual one.
func BenchmarkAssess(b *testing.B) {
	base := knowledge.Shipped()
	for name, c := range map[string]Case{
		"nothing-seen-yet": {Plant: base.PlantOf("")},
		"three-findings": {Plant: base.PlantOf("Phalaenopsis"), Findings: findings(
			"leaf:soft-wet-rot", "leaf:water-soaked", "leaf:advances-within-days")},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				Assess(base, c)
			}
		})
	}
}
