package inference

import (
	"fmt"
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// Contradiction is a finding that cannot be true, or two that cannot both be.
type Contradiction struct {
	// First and Second are indices of Case.Findings; Second is -1 when one finding
	// is wrong by itself.
	First, Second int
	// Rule is what it breaks, to follow the name of the field.
	Rule string
}

func (c *Contradiction) Error() string {
	if c.Second < 0 {
		return fmt.Sprintf("finding %d %s", c.First, c.Rule)
	}
	return fmt.Sprintf("findings %d and %d: %s", c.First, c.Second, c.Rule)
}

// Check returns the first *Contradiction among the findings of a case, or nil.
func Check(base *knowledge.Base, c Case) error {
	for i, f := range c.Findings {
		if rule := fault(base, c.Plant, f); rule != "" {
			return &Contradiction{First: i, Second: -1, Rule: rule}
		}
		for j, earlier := range c.Findings[:i] {
			if rule := clash(base, earlier, f); rule != "" {
				return &Contradiction{First: j, Second: i, Rule: rule}
			}
		}
	}
	return nil
}

func fault(base *knowledge.Base, plant knowledge.Plant, f Finding) string {
	sign, known := base.Sign(f.Sign)
	switch {
	case !known:
		return fmt.Sprintf("%q is not in the vocabulary of signs", f.Sign)
	case slices.Contains(plant.Lacks, f.Organ):
		return fmt.Sprintf("%s has no %s", plant.Genus, organName(f.Organ))
	case !slices.Contains(sign.Organs, f.Organ):
		return fmt.Sprintf("%q is not looked for on the %s", f.Sign, organName(f.Organ))
	default:
		return ""
	}
}

func clash(base *knowledge.Base, a, b Finding) string {
	if a.Organ != b.Organ {
		return ""
	}
	if a.Sign == b.Sign {
		return fmt.Sprintf("%q is said twice of the %s", a.Sign, organName(a.Organ))
	}
	if a.Observed && b.Observed && exclusive(base, a.Sign, b.Sign) {
		return fmt.Sprintf("%q and %q cannot both be true of the same %s; if they are on different ones, inspect them apart",
			a.Sign, b.Sign, organName(a.Organ))
	}
	return ""
}

// exclusive says whether either of two signs rules the other out.
func exclusive(base *knowledge.Base, a, b string) bool {
	first, _ := base.Sign(a)
	second, _ := base.Sign(b)
	return slices.Contains(first.Excludes, b) || slices.Contains(second.Excludes, a)
}

// organName is an organ in the grower's words, for example "whole plant".
func organName(organ diagnosisv1.Organ) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(organ.String(), "ORGAN_"), "_", " "))
}
