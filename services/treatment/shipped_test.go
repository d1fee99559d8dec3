package treatment

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/services/diagnosis"
	"velamen/services/treatment/rules"
)

// eachShipped runs a test for each shipped template.
func eachShipped(t *testing.T, run func(t *testing.T, template *treatmentv1.Template)) {
	t.Helper()
	templates, err := shipped()
	require.NoError(t, err)
	require.Len(t, templates, 32)
	for id, template := range templates {
		t.Run(id, func(t *testing.T) { run(t, template) })
	}
}

func TestNothingIsWrongWithAShippedTemplate(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		require.Empty(t, FindTemplateFaults(template))
		for _, step := range template.GetSteps() {
			require.NotEmpty(t, step.GetSource(), "step %s says where its rule comes from", step.GetKey())
		}
	})
}

func TestEveryDisorderHasAShippedTemplate(t *testing.T) {
	templates, err := shipped()
	require.NoError(t, err)
	for _, disorder := range diagnosis.Disorders() {
		require.True(t, slices.ContainsFunc(templateList(templates), func(template *treatmentv1.Template) bool {
			return slices.Contains(template.GetDisorders(), disorder.ID) && template.GetDisplayName() != templates["prevention"].GetDisplayName()
		}), "no template treats %s", disorder.ID)
	}
}

func templateList(templates map[string]*treatmentv1.Template) []*treatmentv1.Template {
	var list []*treatmentv1.Template
	for _, template := range templates {
		list = append(list, template)
	}
	return list
}

func TestWhereAChemicalIsAppliedTheLabelDecides(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		for _, step := range template.GetSteps() {
			if Applies(step.GetKind()) {
				require.Contains(t, step.GetInstructions(), "The product label and local law decide on dose", step.GetKey())
				require.Contains(t, step.GetInstructions(), "ask a licensed adviser first", step.GetKey())
			}
		}
	})
}

func TestContactFollowsTheSystemicInItsWindowInEveryShippedTemplate(t *testing.T) {
	found := 0
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		contact, ok := PlanOf(template).step("contact")
		if !ok {
			return
		}
		found++
		require.Equal(t, "systemic", contact.After[0].Key)
		require.Equal(t, hours(12*24), contact.After[0].Min)
		require.Equal(t, hours(14*24), contact.After[0].Due)
		require.Equal(t, hours(18*24), contact.After[0].Max)
	})
	require.Equal(t, 10, found)
}

// withoutFungicide are disorders by fungi that nothing is sprayed against: what
// the authority decides on first, and what sits where no fungicide reaches.
var withoutFungicide = []string{"chrysanthemum-white-rust", "verticillium-wilt"}

// What is sprayed where: nothing against a virus or animals or where there is no
// disease, and copper alone against bacteria.
func TestChemicalIsAppliedOnlyWhereItWorks(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		disorder, ok := diagnosis.DisorderByID(template.GetDisorders()[0])
		require.True(t, ok)
		var applied []string
		for _, step := range template.GetSteps() {
			applied = append(applied, step.GetCandidateActiveIngredients()...)
		}
		switch {
		case slices.Contains(rules.ClassesWithoutChemical(), disorder.Class), slices.Contains(withoutFungicide, disorder.ID):
			require.Empty(t, applied)
		case disorder.Class == diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM:
			require.Subset(t, []string{"copper-hydroxide"}, applied)
		default:
			require.NotEmpty(t, applied)
		}
	})
}

func TestNothingIsCutBeforeTheVirusTest(t *testing.T) {
	template, _, err := shippedTemplate("virus")
	require.NoError(t, err)
	for _, step := range template.GetSteps() {
		require.NotEqual(t, cutBack, step.GetKind())
		if step.GetKind() == prune {
			require.True(t, strings.HasPrefix(step.GetTitle(), "Test every plant"), "whole plants are thrown away, and only tested ones")
			require.Contains(t, step.GetInstructions(), "no blade")
		}
	}
}

// walk takes a program from its start to its end; outcome says what each check
// shows. Each step is done when it opens.
func walk(t *testing.T, plan Plan, outcome func(Step) Outcome) State {
	t.Helper()
	state, err := Apply(plan, State{}, Event{Sequence: 1, Kind: EventStarted, At: day0})
	require.NoError(t, err)
	for events := 0; !state.Status.Ended(); events++ {
		require.Less(t, events, 2000, "the program does not end")
		i := slices.IndexFunc(state.Steps, func(s Step) bool {
			return s.Status == Ready && (s.Kind != release || onlyReleaseIsReady(state))
		})
		require.GreaterOrEqual(t, i, 0, "nothing is ready and the program has not ended")
		step := state.Steps[i]
		state, err = Apply(plan, state, Event{
			Sequence: state.Sequence + 1, Kind: EventStepConfirmed, Step: step.ID(), Outcome: outcome(step), At: step.Open,
		})
		require.NoError(t, err)
	}
	return state
}

func onlyReleaseIsReady(state State) bool {
	return !slices.ContainsFunc(state.Steps, func(s Step) bool { return s.Status == Ready && s.Kind != release })
}

func alwaysClean(step Step) Outcome {
	if checks(step.Kind) {
		return OutcomeClean
	}
	return OutcomeDone
}

func alwaysFailing(step Step) Outcome {
	if checks(step.Kind) {
		return OutcomeFailed
	}
	return OutcomeDone
}

func TestAShippedProgramWhoseChecksAreCleanEndsInReleaseWithNothingLeftUndone(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		state := walk(t, PlanOf(template), alwaysClean)
		require.Equal(t, Released, state.Status)
		require.Equal(t, 1, state.Round)
		for _, step := range state.Steps {
			require.Equal(t, Confirmed, step.Status, step.ID())
		}
	})
}

func TestAShippedProgramWhoseChecksFailIsGivenUpAndDiscarded(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		plan := PlanOf(template)
		gaveUp := false
		state := walk(t, plan, func(step Step) Outcome {
			gaveUp = gaveUp || step.Kind == discard
			return alwaysFailing(step)
		})
		require.True(t, gaveUp)
		require.Equal(t, Discarded, state.Status)
	})
}

// Each check of a program fails in turn, in each round: the program still ends.
func TestAShippedProgramEndsWhicheverCheckFails(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		plan := PlanOf(template)
		for _, failing := range plan.Steps {
			if !checks(failing.Kind) {
				continue
			}
			onceIn := map[int]bool{}
			once := walk(t, plan, func(step Step) Outcome {
				if step.Key == failing.Key && step.Round == 1 && !onceIn[1] {
					onceIn[1] = true
					return OutcomeFailed
				}
				return alwaysClean(step)
			})
			require.Equal(t, Released, once.Status, "%s fails once", failing.Key)
			always := walk(t, plan, func(step Step) Outcome {
				if step.Key == failing.Key {
					return OutcomeFailed
				}
				return alwaysClean(step)
			})
			require.Equal(t, Discarded, always.Status, "%s never comes clean", failing.Key)
		}
	})
}

func TestAShippedTemplateIsReadAsItIsWritten(t *testing.T) {
	names, err := fs.Glob(shippedFiles, "templates/*.yaml")
	require.NoError(t, err)
	for _, name := range names {
		body, err := shippedFiles.ReadFile(name)
		require.NoError(t, err)
		require.NotContains(t, string(body), "\t")
		_, err = ReadTemplate(body)
		require.NoError(t, err, name)
	}
}

func TestWhatIsNoTemplateIsRefused(t *testing.T) {
	for _, test := range []struct{ name, body, field string }{
		{"no YAML", "a: [", "template"},
		{"keys that are no text", "1: {2: 3}", "template"},
		{"a field that there is not", "colour: blue", "template"},
		{"a kind that there is not", "steps: [{key: a, kind: STEP_KIND_DANCE}]", "template"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := ReadTemplate([]byte(test.body))
			requireRefused(t, err, test.field, RuleFormat)
		})
	}
}

// FuzzReadTemplate reads anything; what it accepts can be run to an end.
func FuzzReadTemplate(f *testing.F) {
	names, err := fs.Glob(shippedFiles, "templates/*.yaml")
	require.NoError(f, err)
	for _, name := range names {
		body, err := shippedFiles.ReadFile(name)
		require.NoError(f, err)
		f.Add(body)
	}
	f.Add([]byte("steps: [{key: a, intervals: [{after: a}]}]"))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, body []byte) {
		template, err := ReadTemplate(body)
		if err != nil {
			return
		}
		require.Equal(t, Released, walk(t, PlanOf(template), alwaysClean).Status)
	})
}

// The earliest release of each shipped template, in days from the start. A change
// here changes what a nursery promises a buyer.
func TestEarliestReleaseOfEachShippedTemplate(t *testing.T) {
	want := map[string]int{}
	for _, line := range strings.Fields(`leaf-spots=42 vascular-wilt=90 oomycete-rot=34 anthracnose=42 grey-mould=26 rust=42
		powdery-mildew=26 bacterial-rot=21 bacterial-rot-copper=21 virus=180 prevention=60 no-disease=30
		leaf-blights=35 box-blight=47 stem-rot=28 white-mould=28 black-root-rot=77 verticillium-wilt=194 reported-pest=61
		pythium-root-rot=42 phytophthora-root-rot=102 downy-mildew=33 bacterial-leaf-spot=30 bacterial-leaf-spot-copper=30
		bacterial-wilt=100 galls=134 virus-of-bedding-plants=42 mites-and-thrips=42 scale-insects=62 nematodes=104 slugs=14 nutrition=30`) {
		var id string
		var days int
		name, count, _ := strings.Cut(line, "=")
		_, err := fmt.Sscan(name+" "+count, &id, &days)
		require.NoError(t, err)
		want[id] = days
	}
	got := map[string]int{}
	templates, err := shipped()
	require.NoError(t, err)
	for id, template := range templates {
		got[id] = int(walk(t, PlanOf(template), alwaysClean).Ended.Sub(day0) / (24 * time.Hour))
	}
	require.Equal(t, want, got)
}
