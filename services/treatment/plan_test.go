package treatment

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
)

func TestShippedTemplatesAreSound(t *testing.T) {
	templates, err := shipped()
	require.NoError(t, err)
	require.Len(t, templates, 3)
	for id, template := range templates {
		t.Run(id, func(t *testing.T) {
			require.NotEmpty(t, template.GetDisorders())
			for _, step := range template.GetSteps() {
				require.NotEmpty(t, step.GetSource(), "step %s says where its rule comes from", step.GetKey())
			}
		})
	}
}

func TestContactFollowsTheSystemicInItsWindowInEveryShippedTemplate(t *testing.T) {
	templates, err := shipped()
	require.NoError(t, err)
	for id, template := range templates {
		contact, ok := PlanOf(template).step("contact")
		require.True(t, ok, id)
		require.Equal(t, "systemic", contact.After[0].Key, id)
		require.Equal(t, hours(12*24), contact.After[0].Min, id)
		require.Equal(t, hours(14*24), contact.After[0].Due, id)
		require.Equal(t, hours(18*24), contact.After[0].Max, id)
	}
}

func TestATemplateIsRefusedByField(t *testing.T) {
	for _, test := range []struct {
		name   string
		breaks func(*treatmentv1.Template)
		field  string
	}{
		{"a key that stands twice", func(x *treatmentv1.Template) { x.Steps[1].Key = x.GetSteps()[0].GetKey() }, "template.steps[1].key"},
		{"an interval to a later step", func(x *treatmentv1.Template) { x.Steps[1].Intervals[0].After = "release" }, "template.steps[1].intervals[0].after"},
		{"an interval that falls", func(x *treatmentv1.Template) { x.Steps[1].Intervals[0].MinHours = 100 }, "template.steps[1].intervals[0]"},
		{"no release", func(x *treatmentv1.Template) { x.Steps = append(x.Steps[:6:6], x.GetSteps()[7:]...) }, "template.steps"},
		{"no discard", func(x *treatmentv1.Template) { x.Steps = x.GetSteps()[:7] }, "template.steps"},
		{"a discard in the course", func(x *treatmentv1.Template) { x.Steps[7].Intervals = x.GetSteps()[1].GetIntervals() }, "template.steps[7].intervals"},
		{"a spray without candidates", func(x *treatmentv1.Template) { x.Steps[3].CandidateActiveIngredients = nil }, "template.steps[3].candidate_active_ingredients"},
		{"a candidate that is unknown", func(x *treatmentv1.Template) { x.Steps[3].CandidateActiveIngredients = []string{"moonlight"} }, "template.steps[3].candidate_active_ingredients"},
		{"candidates without a spray", func(x *treatmentv1.Template) { x.Steps[2].CandidateActiveIngredients = []string{"captan"} }, "template.steps[2].candidate_active_ingredients"},
		{"a spray without its record", func(x *treatmentv1.Template) { x.Steps[3].Proofs = nil }, "template.steps[3].proofs"},
		{"an inspection without its counts", func(x *treatmentv1.Template) { x.Steps[5].Proofs = nil }, "template.steps[5].proofs"},
		{"a recurrence to a step that does not lead to it", func(x *treatmentv1.Template) { x.Steps[1].Intervals, x.Steps[2].Intervals[0].After = nil, "isolate" }, "template.steps[5].recur_to"},
		{"an inspection that cannot fail", func(x *treatmentv1.Template) { x.Steps[5].OnFailure = noRepeat }, "template.steps[5].on_failure"},
		{"a failure without a check", func(x *treatmentv1.Template) { x.Steps[2].OnFailure = repeat }, "template.steps[2].on_failure"},
		{"a recurrence to a later step", func(x *treatmentv1.Template) { x.Steps[5].RecurTo = "release" }, "template.steps[5].recur_to"},
		{"a release without an inspection", func(x *treatmentv1.Template) { x.Steps[6].Intervals[0].After = "contact" }, "template.steps[6].intervals"},
	} {
		t.Run(test.name, func(t *testing.T) {
			template, _, err := shippedTemplate("leaf-spots")
			require.NoError(t, err)
			test.breaks(template)
			err = CheckTemplate(template, knownActive)
			require.True(t, fault.Is(err, fault.TemplateInvalid), "%v", err)
			f, _ := fault.As(err)
			require.Equal(t, test.field, f.Field)
		})
	}
}

func TestWhatFollowsIsFoundInATemplateWithManyWays(t *testing.T) {
	plan := Plan{}
	for i := range 60 {
		step := PlanStep{Key: fmt.Sprintf("s-%d", i)}
		for j := max(0, i-10); j < i; j++ {
			step.After = append(step.After, Interval{Key: fmt.Sprintf("s-%d", j)})
		}
		plan.Steps = append(plan.Steps, step)
	}
	require.True(t, plan.follows("s-59", "s-0"))
	require.False(t, plan.follows("s-59", "s-none"))
	require.False(t, plan.follows("s-0", "s-59"))
	require.False(t, plan.follows("s-7", "s-7"))
}

func FuzzReadTemplate(f *testing.F) {
	body, err := shippedFiles.ReadFile("templates/leaf-spots.yaml")
	require.NoError(f, err)
	f.Add(body)
	f.Add([]byte("steps: [{key: a, intervals: [{after: a}]}]"))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, body []byte) {
		template, err := ReadTemplate(body)
		if err != nil {
			return
		}
		_, err = Apply(PlanOf(template), State{}, Event{Sequence: 1, Kind: EventStarted, At: day0})
		require.NoError(t, err)
	})
}
