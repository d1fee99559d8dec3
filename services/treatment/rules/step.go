package rules

import (
	"fmt"
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/products"
)

// candidates holds the mix to the step and to the class of the disorder.
func (c *check) candidates() {
	c.stepCandidate()
	for _, l := range c.lines {
		c.worksOnClass(l)
	}
}

// stepCandidate asks for one active ingredient of the step in every mix.
func (c *check) stepCandidate() {
	if c.a.Candidates == nil {
		return
	}
	for i := range c.a.Treatments {
		outcome, field := Refuse, c.a.Treatments[i].Field
		for _, l := range c.lines {
			if l.treatment != i {
				continue
			}
			if field == c.a.Treatments[i].Field {
				field = l.Field
			}
			if slices.ContainsFunc(l.parts.actives, func(id string) bool { return slices.Contains(c.a.Candidates, id) }) {
				outcome = Pass
			}
		}
		v := Verdict{Rule: RuleStepCandidate, Outcome: outcome, Field: field, Message: "the mix holds an active ingredient of this step", Source: "the step of the program"}
		if outcome == Refuse {
			v.Message = fmt.Sprintf("no product of the mix holds an active ingredient of this step (%s)", strings.Join(c.a.Candidates, ", "))
			v.Alternatives = c.openCandidates()
		}
		v.Numbers = []Number{{Name: "candidates", Value: strings.Join(c.a.Candidates, ", ")}}
		c.add(v)
	}
}

// worksOnClass refuses a product none of whose active ingredients works on the
// class of the disorder.
func (c *check) worksOnClass(l *line) {
	class := className(c.a.Class)
	v := l.about(RuleWorksOnClass, Refuse, "%s holds no active ingredient", l.Product.DisplayName)
	v.Source = "FRAC Code List: classes that an active ingredient works on, by the catalog"
	var names []string
	for _, active := range l.actives {
		names = append(names, fmt.Sprintf("%s (group %s)", active.DisplayName, active.FRACCode))
		if slices.Contains(active.WorksOn, c.a.Class) {
			v.Outcome, v.Source = Pass, active.Source
			v.Message = fmt.Sprintf("%s in %s works on a disorder of the class %s", active.DisplayName, l.Product.DisplayName, class)
			break
		}
	}
	if v.Outcome == Refuse {
		v.Message = fmt.Sprintf("%s does not work on a disorder of the class %s: %s", l.Product.DisplayName, class, strings.Join(names, ", "))
		v.Alternatives = c.workingCandidates()
		if slices.Contains(ClassesWithoutChemical(), c.a.Class) {
			v.Message = fmt.Sprintf("no %s works on a disorder of the class %s; %s would only add residue and risk", ChemicalAgainst(c.a.Class), class, l.Product.DisplayName)
		}
	}
	v.Numbers = []Number{{Name: "class of disorder", Value: class}}
	c.add(v)
}

// ClassesWithoutChemical returns the classes of disorder that nothing works on
// which velamen plans: there is no cure for a virus, nothing to kill where there is
// no disease, and fungicides do nothing against animals.
func ClassesWithoutChemical() []diagnosisv1.DisorderClass {
	return []diagnosisv1.DisorderClass{
		diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS, diagnosisv1.DisorderClass_DISORDER_CLASS_ANIMAL,
		diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE,
	}
}

// ChemicalAgainst names what does not work on such a class: products against mites
// and insects exist, and an adviser names them.
func ChemicalAgainst(class diagnosisv1.DisorderClass) string {
	if class == diagnosisv1.DisorderClass_DISORDER_CLASS_ANIMAL {
		return "fungicide"
	}
	return "chemical"
}

// workingCandidates returns the candidates of the step that work on the class.
func (c *check) workingCandidates() []string {
	var working []string
	for _, id := range c.a.Candidates {
		active, known := products.ActiveIngredientByID(id)
		if known && slices.Contains(active.WorksOn, c.a.Class) {
			working = append(working, fmt.Sprintf("%s (group %s)", active.DisplayName, active.FRACCode))
		}
	}
	return working
}
