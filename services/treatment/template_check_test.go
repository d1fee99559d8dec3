package treatment

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
)

func requireRefused(t *testing.T, err error, field string, rule Rule) {
	t.Helper()
	require.True(t, fault.Is(err, fault.TemplateInvalid), "%v", err)
	f, _ := fault.As(err)
	require.Equal(t, field, f.Field)
	require.Equal(t, string(rule), f.Values["rule"])
}

// broken shipped templates: what is wrong, and where.
type brokenTemplate struct {
	name   string
	ships  string
	breaks func(*treatmentv1.Template)
	field  string
	rule   Rule
	says   string
}

func step(x *treatmentv1.Template, key string) *treatmentv1.TemplateStep {
	return x.GetSteps()[slices.IndexFunc(x.GetSteps(), func(s *treatmentv1.TemplateStep) bool { return s.GetKey() == key })]
}

func interval(after string, least, most int32) *treatmentv1.Interval {
	return &treatmentv1.Interval{After: after, MinHours: least, DueHours: least, MaxHours: most}
}

func TestATemplateThatCannotBeRunIsRefused(t *testing.T) {
	for _, test := range []brokenTemplate{
		{"a key that stands twice", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[1].Key = x.GetSteps()[0].GetKey() }, "template.steps[1].key", RuleKeyTwice, `"isolate" stands twice`},
		{"an interval to a later step", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[1].Intervals[0].After = "release" }, "template.steps[1].intervals[0].after", RuleAfterEarlier, `"release" is not an earlier step`},
		{"an interval to itself", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[1].Intervals[0].After = "disinfect" }, "template.steps[1].intervals[0].after", RuleAfterEarlier, `"disinfect" is not an earlier step`},
		{"an interval that falls", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[1].Intervals[0].MinHours = 100 }, "template.steps[1].intervals[0]", RuleIntervalFalls, "min_hours 100, due_hours 12 and max_hours 24 must not fall"},
		{"no release", "leaf-spots", func(x *treatmentv1.Template) { x.Steps = append(x.Steps[:6:6], x.GetSteps()[7:]...) }, "template.steps", RuleOneRelease, "not 0"},
		{"no discard", "leaf-spots", func(x *treatmentv1.Template) { x.Steps = x.GetSteps()[:7] }, "template.steps", RuleOneDiscard, "not 0"},
		{"a discard in the course", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[7].Intervals = x.GetSteps()[1].GetIntervals() }, "template.steps[7].intervals", RuleDiscardFollows, "giving up"},
		{"a spray without candidates", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[3].CandidateActiveIngredients = nil }, "template.steps[3].candidate_active_ingredients", RuleActivesMissing, "must name them"},
		{"a candidate that is unknown", "leaf-spots", func(x *treatmentv1.Template) {
			x.Steps[3].CandidateActiveIngredients = []string{"tebuconazole", "moonlight"}
		}, "template.steps[3].candidate_active_ingredients[1]", RuleActiveUnknown, `"moonlight" is not in the catalog`},
		{"candidates without a spray", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[2].CandidateActiveIngredients = []string{"captan"} }, "template.steps[2].candidate_active_ingredients", RuleActivesWithout, "only bath, spray and drench"},
		{"a spray without its record", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[3].Proofs = nil }, "template.steps[3].proofs", RuleDecidingProof, "must ask for APPLICATION"},
		{"an inspection without its counts", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].Proofs = nil }, "template.steps[5].proofs", RuleDecidingProof, "must ask for INSPECTION_COUNTS"},
		{"an inspection that cannot fail", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].OnFailure = noRepeat }, "template.steps[5].on_failure", RuleFailureNeeded, "when it fails"},
		{"a failure without a check", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[2].OnFailure = repeat }, "template.steps[2].on_failure", RuleFailureWithout, "only inspect"},
		{"a recurrence to a later step", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].RecurTo = "release" }, "template.steps[5].recur_to", RuleRecurToEarlier, `"release" is not an earlier step`},
		{"a recurrence to a step that does not lead to it", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[1].Intervals, x.Steps[2].Intervals[0].After = nil, "isolate" }, "template.steps[5].recur_to", RuleRecurLeadsBack, `"disinfect" does not lead`},
		{"a release without an inspection", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[6].Intervals[0].After = "contact" }, "template.steps[6].intervals", RuleReleaseInspected, "must follow an inspection"},
		{"a step after the release", "no-disease", func(x *treatmentv1.Template) {
			late := proto.CloneOf(step(x, "correct"))
			late.Key, late.Intervals = "late", []*treatmentv1.Interval{interval("release", 0, 24)}
			x.Steps = append(x.Steps, late)
		}, "template.steps[4].intervals[0].after", RuleUnreachable, `ends with "release"`},
		{"a release behind the discarding", "no-disease", func(x *treatmentv1.Template) {
			x.Steps[2], x.Steps[3] = x.GetSteps()[3], x.GetSteps()[2]
			x.Steps[3].Intervals = append(x.Steps[3].Intervals, interval("discard", 0, 24))
		}, "template.steps[3].intervals[1].after", RuleUnreachable, `ends with "discard"`},
		{"an inspection behind a step behind the discarding", "no-disease", func(x *treatmentv1.Template) {
			late := proto.CloneOf(step(x, "correct"))
			late.Key, late.Intervals = "late", []*treatmentv1.Interval{interval("discard", 0, 24)}
			x.Steps = []*treatmentv1.TemplateStep{x.GetSteps()[0], x.GetSteps()[3], late, x.GetSteps()[1], x.GetSteps()[2]}
			x.Steps[3].Intervals = append(x.Steps[3].Intervals, interval("late", 0, 24))
		}, "template.steps[2].intervals[0].after", RuleUnreachable, `ends with "discard"`},
		{"a disorder that is unknown", "leaf-spots", func(x *treatmentv1.Template) { x.Disorders = append(x.Disorders, "the-blues") }, "template.disorders[4]", RuleDisorderUnknown, `no disorder "the-blues"`},
	} {
		t.Run(test.name, func(t *testing.T) { test.isRefused(t) })
	}
}

func (test brokenTemplate) isRefused(t *testing.T) {
	t.Helper()
	template, ok, err := shippedTemplate(test.ships)
	require.NoError(t, err)
	require.True(t, ok)
	test.breaks(template)
	err = CheckTemplate(template)
	requireRefused(t, err, test.field, test.rule)
	require.ErrorContains(t, err, test.says)
}

// Times of two steps, in hours after the step "a"; c has two windows.
func TestIntervalsThatCannotAllBeKeptAreRefused(t *testing.T) {
	for _, test := range []struct {
		name  string
		b     *treatmentv1.Interval
		c     []*treatmentv1.Interval
		field string
		says  string
	}{
		{"both can be kept", interval("a", 48, 72), []*treatmentv1.Interval{interval("a", 96, 120), interval("b", 24, 48)}, "", ""},
		{"both can be kept at one moment only", interval("a", 48, 48), []*treatmentv1.Interval{interval("a", 96, 96), interval("b", 48, 48)}, "", ""},
		{"an hour too late", interval("a", 48, 48), []*treatmentv1.Interval{interval("a", 96, 96), interval("b", 49, 60)}, "template.steps[2].intervals[1]", `49 to 60 h after "b" cannot be kept: the other intervals put this step 48 h after it`},
		{"within a day of a, three days after b", interval("a", 48, 60), []*treatmentv1.Interval{interval("a", 0, 24), interval("b", 72, 96)}, "template.steps[2].intervals[1]", `72 to 96 h after "b" cannot be kept: the other intervals put this step -60 to -24 h after it`},
		{"too late after a for what b asks", interval("a", 0, 24), []*treatmentv1.Interval{interval("a", 100, 200), interval("b", 0, 75)}, "template.steps[2].intervals[1]", `0 to 75 h after "b" cannot be kept: the other intervals put this step 76 to 200 h after it`},
		{"two windows after the same step", interval("a", 0, 24), []*treatmentv1.Interval{interval("b", 0, 24), interval("b", 48, 72)}, "template.steps[2].intervals[1]", `48 to 72 h after "b" cannot be kept: the other intervals put this step 0 to 24 h after it`},
	} {
		t.Run(test.name, func(t *testing.T) {
			template := threeSteps(test.b, test.c...)
			err := CheckTemplate(template)
			if test.field == "" {
				require.NoError(t, err)
				return
			}
			requireRefused(t, err, test.field, RuleWindowEmpty)
			require.ErrorContains(t, err, test.says)
		})
	}
}

// threeSteps is a template of a, b and the inspection c, then release.
func threeSteps(b *treatmentv1.Interval, c ...*treatmentv1.Interval) *treatmentv1.Template {
	does := treatmentv1.StepKind_STEP_KIND_ENVIRONMENT
	return &treatmentv1.Template{DisplayName: "x", Disorders: []string{"sunburn"}, MaxRounds: 1, EscalateEveryHours: 24, Steps: []*treatmentv1.TemplateStep{
		{Key: "a", Kind: does},
		{Key: "b", Kind: does, Intervals: []*treatmentv1.Interval{b}},
		{Key: "c", Kind: inspect, Intervals: c, OnFailure: giveUp, Proofs: []Proof{treatmentv1.Proof_PROOF_INSPECTION_COUNTS}},
		{Key: "release", Kind: release, Intervals: []*treatmentv1.Interval{interval("c", 0, 24)}},
		{Key: "discard", Kind: discard},
	}}
}

// The clean checks of a step take their time before what follows it.
func TestCleanChecksCountInWhatFollowsThem(t *testing.T) {
	template := threeSteps(interval("a", 0, 24), interval("b", 0, 24))
	template.Steps[2].CleanTimes, template.Steps[2].CleanApartHours = 3, 100
	template.Steps[3].Intervals = append(template.Steps[3].Intervals, interval("b", 0, 199))
	err := CheckTemplate(template)
	requireRefused(t, err, "template.steps[3].intervals[1]", RuleWindowEmpty)
	require.ErrorContains(t, err, "put this step 200 to 296 h after it")
	template.Steps[3].Intervals[1].MaxHours = 200
	require.NoError(t, CheckTemplate(template))
}

// Windows are held over any number of steps: a chain of days and one window over
// all of them.
func TestWindowsAreHeldOverALongChain(t *testing.T) {
	template := threeSteps(interval("a", 24, 48), interval("b", 24, 48))
	for i := range 20 {
		after := "b"
		if i > 0 {
			after = fmt.Sprintf("d-%d", i-1)
		}
		link := &treatmentv1.TemplateStep{Key: fmt.Sprintf("d-%d", i), Kind: treatmentv1.StepKind_STEP_KIND_ENVIRONMENT, Intervals: []*treatmentv1.Interval{interval(after, 24, 48)}}
		template.Steps = slices.Insert(template.GetSteps(), 2+i, link)
	}
	inspection := template.GetSteps()[22]
	inspection.Intervals = []*treatmentv1.Interval{interval("d-19", 24, 48), interval("a", 0, 22*24-1)}
	err := CheckTemplate(template)
	requireRefused(t, err, "template.steps[22].intervals[1]", RuleWindowEmpty)
	require.ErrorContains(t, err, "put this step 528 to 1056 h after it")
	inspection.Intervals[1].MaxHours++
	require.NoError(t, CheckTemplate(template))
}

func TestATemplateThatDoesNotHealIsRefused(t *testing.T) {
	for _, test := range []brokenTemplate{
		{"a group-1 active against an oomycete", "oomycete-rot", func(x *treatmentv1.Template) {
			step(x, "systemic").CandidateActiveIngredients = []string{"fosetyl-al", "thiophanate-methyl"}
		}, "template.steps[3].candidate_active_ingredients[1]", RuleActiveWorks, "thiophanate-methyl (resistance group 1) works on fungus, not on the oomycete of black-rot"},
		{"a phenylamide against a fungus", "leaf-spots", func(x *treatmentv1.Template) {
			step(x, "systemic").CandidateActiveIngredients = []string{"mefenoxam", "tebuconazole"}
		}, "template.steps[3].candidate_active_ingredients[0]", RuleActiveWorks, "mefenoxam (resistance group 4) works on oomycete, not on the fungus of phyllosticta-leaf-spot"},
		{"a fungicide that works on one disorder of two", "oomycete-rot", func(x *treatmentv1.Template) { x.Disorders = append(x.Disorders, "grey-mould") }, "template.steps[3].candidate_active_ingredients[1]", RuleActiveWorks, "not on the fungus of grey-mould"},
		{"a fungicide against bacteria", "bacterial-rot-copper", func(x *treatmentv1.Template) {
			step(x, "copper").CandidateActiveIngredients = []string{"copper-hydroxide", "mancozeb"}
		}, "template.steps[4].candidate_active_ingredients[1]", RuleActiveWorks, "mancozeb (resistance group M03) works on fungus, oomycete, not on the bacterium of bacterial-soft-rot"},
		{"a spray against a virus", "leaf-spots", func(x *treatmentv1.Template) { x.Disorders = []string{"virus-mosaic"} }, "template.steps[3]", RuleNothingWorks, "no chemical works on virus-mosaic (virus)"},
		{"a spray on a sunburn", "leaf-spots", func(x *treatmentv1.Template) { x.Disorders = append(x.Disorders, "sunburn") }, "template.steps[3]", RuleNothingWorks, "no chemical works on sunburn (no disease)"},
		{"a fungicide against mites", "leaf-spots", func(x *treatmentv1.Template) { x.Disorders = []string{"spider-mite-injury"} }, "template.steps[3]", RuleNothingWorks, "no fungicide works on spider-mite-injury (animal)"},
		{"one resistance group for all rounds", "leaf-spots", func(x *treatmentv1.Template) {
			step(x, "systemic").CandidateActiveIngredients = []string{"tebuconazole", "propiconazole"}
		}, "template.steps[3].candidate_active_ingredients", RuleGroupsRunOut, "all candidates are in resistance group 3: the second round has none left"},
		{"a virus released after one test", "virus", func(x *treatmentv1.Template) {
			x.Steps = slices.Delete(x.GetSteps(), 3, 4)
			step(x, "second-test").Intervals = step(x, "second-test").GetIntervals()[:1]
		}, "template.steps[5].intervals", RuleReleaseTested, "must follow 2 negative tests, not 1"},
		{"a virus released without an inspection", "virus", func(x *treatmentv1.Template) { step(x, "release").Intervals[0].After = "second-test" }, "template.steps[6].intervals", RuleReleaseInspected, "must follow an inspection"},
	} {
		t.Run(test.name, func(t *testing.T) {
			template, _, err := shippedTemplate(test.ships)
			require.NoError(t, err)
			test.breaks(template)
			finding := find(FindTemplateFaults(template), test.rule)
			require.Equal(t, test.field, finding.Field)
			require.False(t, finding.Warning)
			require.Contains(t, finding.Message, test.says)
			require.True(t, fault.Is(CheckTemplate(template), fault.TemplateInvalid))
		})
	}
}

func find(findings []Finding, rule Rule) Finding {
	for _, finding := range findings {
		if finding.Rule == rule {
			return finding
		}
	}
	return Finding{}
}

func TestANurseryMayDropEveryLeastTime(t *testing.T) {
	eachShipped(t, func(t *testing.T, template *treatmentv1.Template) {
		hurried := proto.CloneOf(template)
		for _, step := range hurried.GetSteps() {
			step.CleanApartHours = 0
			for _, interval := range step.GetIntervals() {
				interval.MinHours = 0
			}
		}
		require.NoError(t, CheckTemplate(hurried))
	})
}

func TestOneTestThatMustBeNegativeTwiceFreesOfAVirus(t *testing.T) {
	template, _, err := shippedTemplate("virus")
	require.NoError(t, err)
	template.Steps = slices.Delete(template.GetSteps(), 3, 4)
	test := step(template, "second-test")
	test.Intervals, test.CleanTimes, test.CleanApartHours = test.GetIntervals()[:1], 2, 720
	require.Empty(t, FindTemplateFaults(template))
}

func TestAGroupWithoutACapIsNeverUsedUp(t *testing.T) {
	for _, candidates := range [][]string{{"mancozeb"}, {"tebuconazole", "sulphur"}, {"bacillus-subtilis"}, {"neem-oil"}, {"phosphorous-acid"}} {
		template, _, err := shippedTemplate("leaf-spots")
		require.NoError(t, err)
		step(template, "systemic").CandidateActiveIngredients = candidates
		require.Empty(t, find(FindTemplateFaults(template), RuleGroupsRunOut), "%v", candidates)
	}
}

func TestWhatANurseryMayDecideIsAWarning(t *testing.T) {
	for _, test := range []brokenTemplate{
		{"no disorders", "leaf-spots", func(x *treatmentv1.Template) { x.Disorders = nil }, "template.disorders", RuleNoDisorder, "no program can start"},
		{"a cut with any blade", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[2].Proofs = x.GetSteps()[2].GetProofs()[1:] }, "template.steps[2].proofs", RuleCutDisinfected, "DISINFECTANT"},
		{"a cut to the compost", "vascular-wilt", func(x *treatmentv1.Template) { x.Steps[2].Proofs = x.GetSteps()[2].GetProofs()[:2] }, "template.steps[2].proofs", RuleCutBinned, "REMOVED_PARTS_BINNED"},
		{"a step that the release does not wait for", "vascular-wilt", func(x *treatmentv1.Template) {
			step(x, "inspection").Intervals = step(x, "inspection").GetIntervals()[:2]
		}, "template.steps[4]", RuleNotAwaited, `no interval leads from "repot" to the release`},
		{"two groups for three rounds", "leaf-spots", func(x *treatmentv1.Template) {
			step(x, "systemic").CandidateActiveIngredients = []string{"tebuconazole", "boscalid"}
		}, "template.steps[3].candidate_active_ingredients", RuleThreeGroups, "3 rounds with the resistance groups 3 and 7 only"},
		{"contact before systemic", "leaf-spots", func(x *treatmentv1.Template) {
			a, b := x.GetSteps()[3], x.GetSteps()[4]
			a.CandidateActiveIngredients, b.CandidateActiveIngredients = b.GetCandidateActiveIngredients(), a.GetCandidateActiveIngredients()
		}, "template.steps[4]", RuleContactFirst, `the contact fungicide of "systemic" comes before`},
		{"a check repeated without end", "vascular-wilt", func(x *treatmentv1.Template) { x.Steps[2].MaxAttempts = 0 }, "template.steps[2].max_attempts", RuleEndlessRepeat, "repeated without end"},
		{"a repetition with one attempt", "vascular-wilt", func(x *treatmentv1.Template) { x.Steps[2].MaxAttempts = 1 }, "template.steps[2].max_attempts", RuleAttempts, "1 attempts leave none to repeat a check that must be clean 1 times"},
		{"attempts without a repetition", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].MaxAttempts = 4 }, "template.steps[5].max_attempts", RuleAttempts, "4 attempts are used with REPEAT only"},
		{"rounds that nothing begins", "leaf-spots", func(x *treatmentv1.Template) {
			x.Steps[5].OnFailure, x.Steps[5].RecurTo = giveUp, ""
			x.Steps[6].OnFailure, x.Steps[6].RecurTo = giveUp, ""
		}, "template.max_rounds", RuleRounds, "3 rounds, but no check"},
		{"a recurrence without a round", "leaf-spots", func(x *treatmentv1.Template) { x.MaxRounds = 1 }, "template.max_rounds", RuleRounds, "gives up instead"},
		{"a step to go back to for nothing", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].OnFailure = giveUp }, "template.steps[5].recur_to", RuleRecurTo, "RECUR only"},
		{"a spray that must be clean twice", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[3].CleanTimes = 2 }, "template.steps[3].clean_times", RuleCleanTimes, "have to be done 2 times"},
		{"clean inspections within the hour", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].CleanApartHours = 0 }, "template.steps[5].clean_apart_hours", RuleCleanTimes, "within the hour"},
		{"hours apart of one inspection", "leaf-spots", func(x *treatmentv1.Template) { x.Steps[5].CleanTimes = 1 }, "template.steps[5].clean_apart_hours", RuleCleanTimes, "only one is asked for"},
		{"an overdue step that nobody hears of for weeks", "leaf-spots", func(x *treatmentv1.Template) { x.EscalateEveryHours = 720 }, "template.escalate_every_hours", RuleEscalatesLate, "every 720 h only; 168 h is the most"},
	} {
		t.Run(test.name, func(t *testing.T) {
			template, _, err := shippedTemplate(test.ships)
			require.NoError(t, err)
			test.breaks(template)
			finding := find(FindTemplateFaults(template), test.rule)
			require.Equal(t, test.field, finding.Field)
			require.True(t, finding.Warning)
			require.Contains(t, finding.Message, test.says)
			require.NoError(t, CheckTemplate(template), "it can be published")
		})
	}
}

func TestAReleaseBeforeSignsCouldHaveComeIsAWarning(t *testing.T) {
	for _, test := range []brokenTemplate{
		{"a day too few for Phyllosticta", "leaf-spots", func(x *treatmentv1.Template) {
			step(x, "inspection").CleanApartHours -= 24
		}, "template.steps[5]", RuleReleaseSpan, `the last clean check may be 41 days after "systemic"; a release from phyllosticta-leaf-spot needs 42 days, its signs come after up to 42`},
		{"wilt counted from the bath", "vascular-wilt", func(x *treatmentv1.Template) {
			step(x, "inspection").Intervals = step(x, "inspection").GetIntervals()[:1]
		}, "template.steps[6]", RuleReleaseSpan, `the last clean check may be 86 days after "systemic"; a release from fusarium-wilt needs 90 days, its signs come after up to 90`},
		{"an inspection right after the cut", "bacterial-rot", func(x *treatmentv1.Template) {
			step(x, "inspection").CleanTimes, step(x, "inspection").Intervals[0].MinHours = 1, 0
			step(x, "inspection").Intervals[1].MinHours = 0
		}, "template.steps[4]", RuleReleaseSpan, `may be 0 days after "cut-off"; a release from bacterial-soft-rot needs 21 days, its signs come after up to 3`},
		{"for a virus only tests count", "virus", func(x *treatmentv1.Template) {
			step(x, "second-test").Intervals[0].MinHours, step(x, "second-test").Intervals[1].MinHours = 0, 0
		}, "template.steps[4]", RuleReleaseSpan, `may be 21 days after "rogue"; a release from virus-mosaic needs 180 days, its signs come after up to 180`},
	} {
		t.Run(test.name, func(t *testing.T) {
			template, _, err := shippedTemplate(test.ships)
			require.NoError(t, err)
			test.breaks(template)
			finding := find(FindTemplateFaults(template), test.rule)
			require.Equal(t, test.field, finding.Field)
			require.True(t, finding.Warning)
			require.Contains(t, finding.Message, test.says)
			require.NoError(t, CheckTemplate(template), "it can be published")
		})
	}
}

func TestAReleaseAfterOneCleanInspectionIsAWarning(t *testing.T) {
	template, _, err := shippedTemplate("rust")
	require.NoError(t, err)
	step(template, "inspection").CleanTimes = 1
	finding := find(FindTemplateFaults(template), RuleReleaseTimes)
	require.Equal(t, "template.steps[7]", finding.Field)
	require.True(t, finding.Warning)
	require.Equal(t, "1 clean inspection comes before it; a release from rust needs 2", finding.Message)
}

func TestWhatAReleaseMustProveIsHeldToWhatCanBeProven(t *testing.T) {
	percent := func(value string) *typev1.Quantity { return &typev1.Quantity{Amount: value, Unit: "%"} }
	for _, test := range []struct {
		name    string
		breaks  func(*treatmentv1.Template)
		field   string
		rule    Rule
		says    string
		warning bool
	}{
		{"its own values", func(x *treatmentv1.Template) {
			step(x, "release").ReleaseConfidence, step(x, "release").ReleasePrevalence, step(x, "release").InspectionSensitivity = percent("99"), percent("0.5"), percent("100")
		}, "", "", "", false},
		{"certainty", func(x *treatmentv1.Template) { step(x, "release").ReleaseConfidence = percent("100") }, "template.steps[6].release_confidence", RuleShare, "100 % cannot be: confidence: must be more than 0 and less than 1", false},
		{"more plants than there are", func(x *treatmentv1.Template) { step(x, "release").ReleasePrevalence = percent("101") }, "template.steps[6].release_prevalence", RuleShare, "at most 1, not 1.01", false},
		{"eyes shut", func(x *treatmentv1.Template) { step(x, "release").InspectionSensitivity = percent("0.1") }, "template.steps[6].inspection_sensitivity", RuleShare, "must be from 0.01 to 1", false},
		{"another unit", func(x *treatmentv1.Template) {
			step(x, "release").ReleaseConfidence = &typev1.Quantity{Amount: "95", Unit: "mL"}
		}, "template.steps[6].release_confidence", RuleShare, "must be a number in %", false},
		{"no number", func(x *treatmentv1.Template) { step(x, "release").ReleaseConfidence = percent("high") }, "template.steps[6].release_confidence", RuleShare, "must be a number in %", false},
		{"on an inspection", func(x *treatmentv1.Template) { step(x, "inspection").InspectionSensitivity = percent("90") }, "template.steps[5].inspection_sensitivity", RuleShareWithout, "only the release step", true},
	} {
		t.Run(test.name, func(t *testing.T) {
			template, _, err := shippedTemplate("leaf-spots")
			require.NoError(t, err)
			test.breaks(template)
			findings := FindTemplateFaults(template)
			if test.field == "" {
				require.Empty(t, findings)
				return
			}
			require.Len(t, findings, 1)
			require.Equal(t, test.field, findings[0].Field)
			require.Equal(t, test.rule, findings[0].Rule)
			require.Equal(t, test.warning, findings[0].Warning)
			require.Contains(t, findings[0].Message, test.says)
		})
	}
}

func TestEverythingThatIsWrongIsSaidAtOnce(t *testing.T) {
	template, _, err := shippedTemplate("leaf-spots")
	require.NoError(t, err)
	template.Disorders = []string{"black-rot"}
	template.Steps[2].Proofs = nil
	template.Steps[5].OnFailure, template.Steps[6].OnFailure = noRepeat, noRepeat
	template.Steps = template.GetSteps()[:7]
	template.EscalateEveryHours = 500
	var rules []Rule
	for _, finding := range FindTemplateFaults(template) {
		rules = append(rules, finding.Rule)
		require.NotEmpty(t, finding.Message)
		require.NotEmpty(t, finding.Field)
	}
	require.Subset(t, rules, []Rule{RuleCutDisinfected, RuleCutBinned, RuleFailureNeeded, RuleOneDiscard, RuleActiveWorks, RuleRounds, RuleEscalatesLate})
}

// Templates made at random: one without a fault ends in release when its checks
// are clean, on time, and never without an inspection.
func TestATemplateWithoutFaultsEndsInRelease(t *testing.T) {
	random := rand.New(rand.NewPCG(2026, 3))
	sound := 0
	for range 20000 {
		template := randomTemplate(random)
		if CheckTemplate(template) != nil {
			continue
		}
		sound++
		state := walk(t, PlanOf(template), alwaysClean)
		require.Equal(t, Released, state.Status, "%s", template)
		require.True(t, slices.ContainsFunc(state.Steps, func(s Step) bool { return s.Kind == inspect && s.Status == Confirmed }), "%s", template)
	}
	require.Greater(t, sound, 500, "the property was tried on enough of them")
}

func randomTemplate(random *rand.Rand) *treatmentv1.Template {
	kinds := []Kind{isolate, treatmentv1.StepKind_STEP_KIND_ENVIRONMENT, inspect, inspect, labTest, cutBack}
	ends := []Kind{release, discard}
	template := &treatmentv1.Template{Disorders: []string{"sunburn"}, MaxRounds: int32(1 + random.IntN(3)), EscalateEveryHours: 24}
	steps := 4 + random.IntN(4)
	for i := range steps {
		made := &treatmentv1.TemplateStep{Key: fmt.Sprintf("s-%d", i), Kind: kinds[random.IntN(len(kinds))]}
		if last := i - (steps - len(ends)); last >= 0 {
			made.Kind = ends[last]
		} else if random.IntN(20) == 0 {
			made.Kind = ends[random.IntN(len(ends))]
		}
		if i > 0 && made.GetKind() != discard {
			for range 1 + random.IntN(2) {
				made.Intervals = append(made.Intervals, interval(fmt.Sprintf("s-%d", random.IntN(i)), int32(random.IntN(48)), int32(48+random.IntN(48))))
			}
		}
		if proof, needed := decidingProof(made.GetKind()); needed {
			made.Proofs = []Proof{proof}
		}
		if checks(made.GetKind()) {
			made.CleanTimes, made.CleanApartHours = int32(random.IntN(3)), int32(random.IntN(100))
			made.OnFailure = OnFailure(1 + random.IntN(3))
			if made.GetOnFailure() == recur && i > 0 {
				made.RecurTo = fmt.Sprintf("s-%d", random.IntN(i))
			}
		}
		template.Steps = append(template.Steps, made)
	}
	return template
}

// The timetable agrees with trying every hour, on small templates.
func TestWindowsAreHeldAsIfEveryHourHadBeenTried(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	possible, impossible := 0, 0
	for range 3000 {
		span := func() (int32, int32) { least := int32(random.IntN(5)); return least, least + int32(random.IntN(4)) }
		window := func(after string) *treatmentv1.Interval { least, most := span(); return interval(after, least, most) }
		b, c, d := window("a"), window("a"), window("b")
		second := window("b")
		template := threeSteps(b, c, second)
		template.Steps[3].Intervals = []*treatmentv1.Interval{interval("c", 0, 3), d}
		refused := CheckTemplate(template) != nil
		require.Equal(t, !tried(b, c, second, interval("c", 0, 3), d), refused, "%s", template)
		if refused {
			impossible++
		} else {
			possible++
		}
	}
	require.Greater(t, possible, 100)
	require.Greater(t, impossible, 100)
}

// tried looks for hours of b, c and the release that keep all windows, a being
// done at 0.
func tried(b, c, cAfterB, releaseAfterC, releaseAfterB *treatmentv1.Interval) bool {
	holds := func(i *treatmentv1.Interval, hours int32) bool {
		return i.GetMinHours() <= hours && hours <= i.GetMaxHours()
	}
	for atB := range int32(10) {
		for atC := range int32(10) {
			for atRelease := range int32(20) {
				if holds(b, atB) && holds(c, atC) && holds(cAfterB, atC-atB) && holds(releaseAfterC, atRelease-atC) && holds(releaseAfterB, atRelease-atB) {
					return true
				}
			}
		}
	}
	return false
}
