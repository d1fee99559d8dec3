package treatment

import (
	"fmt"
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// actives holds that a step names what it applies, and only when it applies.
func (c *templateCheck) actives(path string, step *treatmentv1.TemplateStep) {
	path += ".candidate_active_ingredients"
	candidates := step.GetCandidateActiveIngredients()
	if !Applies(step.GetKind()) {
		if len(candidates) > 0 {
			c.fault(RuleActivesWithout, path, "only bath, spray and drench have them")
		}
		return
	}
	if len(candidates) == 0 {
		c.fault(RuleActivesMissing, path, "a step that applies chemical must name them")
	}
	for k, id := range candidates {
		if _, ok := products.ActiveIngredientByID(id); !ok {
			c.fault(RuleActiveUnknown, fmt.Sprintf("%s[%d]", path, k), "%q is not in the catalog", id)
		}
	}
}

// chemistry holds that what is applied works on the disorders, and that a
// recurrence always finds a resistance group that is not used up.
func (c *templateCheck) chemistry() {
	for i, step := range c.template.GetSteps() {
		if !Applies(step.GetKind()) {
			continue
		}
		if c.chemicalWorks(i) {
			c.candidatesWork(i, step)
		}
		if c.ordered {
			c.groups(i, step)
			c.contactFirst(i)
		}
	}
}

// chemicalWorks refuses a step that applies chemical where none works.
func (c *templateCheck) chemicalWorks(i int) bool {
	for _, class := range rules.ClassesWithoutChemical() {
		if ids := c.disordersOf(class); len(ids) > 0 {
			c.fault(RuleNothingWorks, stepPath(i), "no %s works on %s (%s): the step would only add residue and risk",
				rules.ChemicalAgainst(class), strings.Join(ids, ", "), className(class))
			return false
		}
	}
	return true
}

// candidatesWork holds every candidate to every disorder of the template: a
// program does not choose its candidates by the disorder that it is for.
func (c *templateCheck) candidatesWork(i int, step *treatmentv1.TemplateStep) {
	for k, id := range step.GetCandidateActiveIngredients() {
		active, ok := products.ActiveIngredientByID(id)
		if !ok {
			continue
		}
		for _, disorder := range c.known {
			if slices.Contains(active.WorksOn, disorder.Class) {
				continue
			}
			c.fault(RuleActiveWorks, fmt.Sprintf("%s.candidate_active_ingredients[%d]", stepPath(i), k),
				"%s (resistance group %s) works on %s, not on the %s of %s", active.DisplayName, active.FRACCode,
				classNames(active.WorksOn), className(disorder.Class), disorder.ID)
			break
		}
	}
}

func className(class diagnosisv1.DisorderClass) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(class.String(), "DISORDER_CLASS_")), "_", " ")
}

func classNames(classes []diagnosisv1.DisorderClass) string {
	names := make([]string, len(classes))
	for i, class := range classes {
		names[i] = className(class)
	}
	return strings.Join(names, ", ")
}

// rotationGroups are how many resistance groups follow each other before one
// returns. Common practice, no source.
const rotationGroups = 3

// groups holds that a step which is done again in a next round has a group left
// that the round before did not use. A group without a cap is never used up.
func (c *templateCheck) groups(i int, step *treatmentv1.TemplateStep) {
	recurs, again := c.recursFrom(i)
	if !again {
		return
	}
	var atRisk []string
	for _, id := range step.GetCandidateActiveIngredients() {
		active, ok := products.ActiveIngredientByID(id)
		if !ok || !rules.Capped(active.FRACCode) {
			return
		}
		if group := rules.GroupOf(active.FRACCode); !slices.Contains(atRisk, group) {
			atRisk = append(atRisk, group)
		}
	}
	path := stepPath(i) + ".candidate_active_ingredients"
	switch {
	case len(atRisk) == 1:
		c.fault(RuleGroupsRunOut, path, "%q begins up to %d rounds with this step in them, but all candidates are in resistance group %s: the second round has none left",
			recurs, c.plan.MaxRounds, atRisk[0])
	case len(atRisk) > 0 && len(atRisk) < min(rotationGroups, c.plan.MaxRounds):
		c.warn(RuleThreeGroups, path, "%d rounds with the resistance groups %s only: %d different groups should follow each other before one returns",
			c.plan.MaxRounds, strings.Join(atRisk, " and "), rotationGroups)
	}
}

// recursFrom returns the check that has a step done again in a next round.
func (c *templateCheck) recursFrom(i int) (check string, again bool) {
	if c.plan.MaxRounds < 2 {
		return "", false
	}
	for _, step := range c.plan.Steps {
		if step.OnFailure != recur || !mayFail(step.Kind) {
			continue
		}
		if to := c.index(step.RecurTo); to == i || c.before[i][to] {
			return step.Key, true
		}
	}
	return "", false
}

// contactFirst warns of a contact fungicide that comes before the first systemic
// one: it protects what is clean and reaches nothing inside, so what is inside
// grows on for two weeks. Common practice, no source.
func (c *templateCheck) contactFirst(i int) {
	if !c.entersPlant(i) {
		return
	}
	var contact string
	for j, earlier := range c.plan.Steps {
		if !c.before[i][j] || !Applies(earlier.Kind) {
			continue
		}
		if c.entersPlant(j) {
			return
		}
		contact = earlier.Key
	}
	if contact != "" {
		c.warn(RuleContactFirst, stepPath(i), "the contact fungicide of %q comes before the first that goes into the plant", contact)
	}
}

// entersPlant reports whether a step applies an active that moves in the leaf or
// the plant.
func (c *templateCheck) entersPlant(i int) bool {
	return slices.ContainsFunc(c.template.GetSteps()[i].GetCandidateActiveIngredients(), func(id string) bool {
		active, ok := products.ActiveIngredientByID(id)
		return ok && (active.Mobility == productsv1.Mobility_MOBILITY_SYSTEMIC || active.Mobility == productsv1.Mobility_MOBILITY_LOCAL)
	})
}
