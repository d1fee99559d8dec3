package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// proposedWork is what flags say about an application as a whole.
type proposedWork struct {
	*applied
	application *treatmentv1.ProposedApplication
}

func newProposedWork() *proposedWork {
	return &proposedWork{applied: newApplied(), application: &treatmentv1.ProposedApplication{}}
}

func (w *proposedWork) flags(cmd *cobra.Command) {
	flags := cmd.Flags()
	enumFlag(flags, &w.application.Method, "method", "how it is applied")
	disorderFlag(flags, &w.application.Disorder)
	flags.StringSliceVar(&w.application.Lots, "lot", nil, "lot that is treated (may be repeated)")
	flags.StringVar(&w.application.Applicator, "by", "", "who applies it (default: you)")
	w.applied.flags(cmd)
	cmd.MarkFlagsOneRequired("house", "treatments-file")
}

func disorderFlag(flags *pflag.FlagSet, disorder *string) {
	flags.StringVar(disorder, "disorder", "", "the disorder that it is for; velamen diagnosis disorders lists them")
}

// said returns the application with whole names; its time is still to be set.
func (w *proposedWork) said(a *app) (_ *treatmentv1.ProposedApplication, err error) {
	application := w.application
	if application.Lots, err = a.names("--lot", application.GetLots(), "lots"); err != nil {
		return nil, err
	}
	if application.Applicator, err = a.optionalName("--by", application.GetApplicator(), "people"); err != nil {
		return nil, err
	}
	if application.Treatments, err = w.treatments(a); err != nil {
		return nil, err
	}
	application.Conditions = conditionsSaid(w.conditions)
	return application, a.nameTreatments(flagName, application.GetTreatments())
}

// at reads a time that was given to --at; now when it was not.
func (a *app) at(ctx context.Context, typed string) (*timestamppb.Timestamp, error) {
	if typed == "" {
		return timestamppb.New(a.Clock.Now()), nil
	}
	return a.moment(ctx, "--at", typed)
}

func (a *app) applicationCheck() *cobra.Command {
	var at string
	work := newProposedWork()
	cmd := a.command(text{
		use: "check", short: "Say what every rule says about an application, without recording it",
		long: `Holds an application that somebody thinks of to every rule: the labels, the law,
resistance rotation over what the lots were treated with, spacing of products,
weather, certificates and the chemical store. Rules that refuse come first, each
with the numbers it used, from when it would pass, and what would pass instead. The
exit code is 3 when a rule refuses.

` + treatmentsFileHelp + Caution,
		example: `  velamen treatment check --method spray --disorder powdery-mildew --lot l-0001 --lot l-0002 \
    --house h1 --area 40m2 --mix 20L --product topspray=24g --temperature 24Cel --open-bloom no
  velamen treatment check --method drench --disorder black-rot --lot l-0001 --at "2026-03-02 07:00" \
    --house h1 --area 900ft2 --mix 25gal --product "rootguard=8 fl oz" --plants 240 --by wandile --json`,
	}, func(ctx context.Context, _ []string) (err error) {
		request := &treatmentv1.CheckApplicationRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Application, err = work.said(a); err != nil {
			return err
		}
		if request.Application.StartTime, err = a.at(ctx, at); err != nil {
			return err
		}
		checked, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CheckApplication, request)
		if err != nil {
			return err
		}
		return a.showChecked(ctx, checked)
	})
	work.flags(cmd)
	cmd.Flags().StringVar(&at, "at", "", `when the work would begin (default: now), as in "2026-03-02 07:00"`)
	return needs(cmd, "method", "disorder", "lot")
}

// showChecked prints what the rules say; a refusal among it ends the command as
// one of the server does.
func (a *app) showChecked(ctx context.Context, checked *treatmentv1.CheckApplicationResponse) error {
	refused := outcomesIn(checked.GetVerdicts())[treatmentv1.Outcome_OUTCOME_REFUSE]
	if err := a.showWithItsCaution(ctx, checked, func(s *sheet) {
		s.line("%s", balance(checked.GetVerdicts()))
		if checked.GetEarliestTime() != nil {
			s.line("All rules would pass from %s on.", s.when(checked.GetEarliestTime()))
		}
		if rules := overridable(checked.GetVerdicts()); len(rules) > 0 {
			s.line("A manager may go against %s, by confirming with --override RULE=REASON.", strings.Join(rules, ", "))
		}
		s.verdicts(checked.GetVerdicts(), nil)
		s.kept(checked.GetVerdicts())
	}); err != nil {
		return err
	}
	if !checked.GetPasses() {
		return outcomeError{exitRefused, fmt.Errorf("rules that refuse this application: %d", refused)}
	}
	return nil
}

// balance says in one line how an application stands.
func balance(verdicts []*treatmentv1.Verdict) string {
	count := outcomesIn(verdicts)
	return fmt.Sprintf("Rules that refuse: %d, with something to mind: %d, kept: %d.",
		count[treatmentv1.Outcome_OUTCOME_REFUSE], count[treatmentv1.Outcome_OUTCOME_WARN], count[treatmentv1.Outcome_OUTCOME_PASS])
}

func outcomesIn(verdicts []*treatmentv1.Verdict) map[treatmentv1.Outcome]int {
	count := map[treatmentv1.Outcome]int{}
	for _, verdict := range verdicts {
		count[verdict.GetOutcome()]++
	}
	return count
}

// verdicts draws those that are not plain passes, each whole. Overrides are what
// a person decided about those that refuse.
func (s *sheet) verdicts(verdicts []*treatmentv1.Verdict, overrides []*treatmentv1.Override) {
	for _, verdict := range verdicts {
		if verdict.GetOutcome() == treatmentv1.Outcome_OUTCOME_PASS {
			continue
		}
		outcome := strings.ToUpper(word(verdict.GetOutcome()))
		if overridden(verdict, overrides) {
			outcome = "OVERRIDDEN"
		}
		s.verdict(outcome, verdict)
	}
}

func overridden(verdict *treatmentv1.Verdict, overrides []*treatmentv1.Override) bool {
	return slices.ContainsFunc(overrides, func(o *treatmentv1.Override) bool { return o.GetRule() == verdict.GetRule() })
}

func (s *sheet) verdict(outcome string, verdict *treatmentv1.Verdict) {
	about := verdict.GetRule()
	if verdict.GetProduct() != "" {
		about += ", " + shortName(verdict.GetProduct())
	}
	s.line("")
	s.line("%s: %s", outcome, about)
	s.fact("  What", verdict.GetMessage())
	s.fact("  Numbers", numbers(verdict))
	s.fact("  Passes from", s.when(verdict.GetEarliestTime()))
	s.fact("  Instead", strings.Join(verdict.GetAlternatives(), "\n"))
	s.fact("  Source", verdict.GetSource())
}

// overridable names the rules that refuse and that a manager may go against.
func overridable(verdicts []*treatmentv1.Verdict) []string {
	var rules []string
	for _, verdict := range verdicts {
		refuses := verdict.GetOutcome() == treatmentv1.Outcome_OUTCOME_REFUSE
		if refuses && verdict.GetOverridable() && !slices.Contains(rules, verdict.GetRule()) {
			rules = append(rules, verdict.GetRule())
		}
	}
	return rules
}

func numbers(verdict *treatmentv1.Verdict) string {
	texts := make([]string, len(verdict.GetNumbers()))
	for i, number := range verdict.GetNumbers() {
		texts[i] = number.GetName() + ": " + number.GetValue()
	}
	return strings.Join(texts, "; ")
}

// kept lists the plain passes, a row each.
func (s *sheet) kept(verdicts []*treatmentv1.Verdict) {
	if outcomesIn(verdicts)[treatmentv1.Outcome_OUTCOME_PASS] == 0 {
		return
	}
	s.line("")
	s.row("KEPT", "PRODUCT", "WHAT", "SOURCE")
	for _, verdict := range verdicts {
		if verdict.GetOutcome() == treatmentv1.Outcome_OUTCOME_PASS {
			s.row(verdict.GetRule(), shortName(verdict.GetProduct()), verdict.GetMessage(), verdict.GetSource())
		}
	}
}

// overriding is a rule that a person went against, in a confirmation or in the
// ledger.
type overriding interface {
	GetRule() string
	GetNote() string
	GetPerson() string
}

func showOverrides[O overriding](s *sheet, overrides []O) {
	if len(overrides) == 0 {
		return
	}
	s.line("")
	s.row("RULE OVERRIDDEN", "BY", "WHY")
	for _, override := range overrides {
		s.row(override.GetRule(), shortName(override.GetPerson()), override.GetNote())
	}
}

func (a *app) breachRecord() *cobra.Command {
	var start, end, program, note string
	work := newProposedWork()
	cmd := a.command(text{
		use: "breach", short: "Record chemical that was applied against a rule, or outside any step",
		long: `Records what was really applied though a rule forbids it, or while no step was open
for it. It goes into the ledger and counts in every rule from then on; it confirms
no step. Where the label lacks a restricted-entry interval nobody knows when the
house may be entered. Managers and owners only.

` + treatmentsFileHelp + Caution,
		example: `  velamen treatment breach --method spray --disorder powdery-mildew --lot l-0001 \
    --start "2026-03-02 07:00" --end "2026-03-02 08:10" --by wandile \
    --house h1 --area 40m2 --mix 20L --product topspray=80g@bag-7 --program p-1 --note "scale read in ounces"`,
	}, func(ctx context.Context, _ []string) (err error) {
		request := &treatmentv1.RecordBreachRequest{Note: note}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Program, err = a.optionalName("--program", program, "programs"); err != nil {
			return err
		}
		if request.Application, err = work.said(a); err != nil {
			return err
		}
		if request.Application.StartTime, err = a.moment(ctx, "--start", start); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--end", end); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		application, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.RecordBreach, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, application, func(s *sheet) { s.application(application) })
	})
	work.flags(cmd)
	flags := cmd.Flags()
	flags.StringVar(&start, "start", "", `when the work began, as in "2026-03-02 07:00" in the nursery's zone, or with its offset`)
	flags.StringVar(&end, "end", "", "when the work ended")
	flags.StringVar(&program, "program", "", "the program that it was meant for")
	flags.StringVar(&note, "note", "", "what happened, and why it confirms no step")
	return needs(cmd, "method", "disorder", "lot", "start", "end", "note")
}

// cautioned is an answer that says itself what to keep in mind.
type cautioned interface {
	proto.Message
	GetCaution() string
}

// showWithItsCaution is show for an answer that carries its caution: JSON has it
// in the message.
func (a *app) showWithItsCaution(ctx context.Context, message cautioned, draw func(s *sheet)) error {
	return a.show(ctx, message, func(s *sheet) {
		draw(s)
		s.line("")
		s.line("%s", cmp.Or(message.GetCaution(), Caution))
	})
}

// keepOut is said where a label lacks the restricted-entry interval: nobody enters
// on a guess.
const keepOut = "unknown: keep out"

// reentryAfter writes a restricted-entry interval of work that was done.
func reentryAfter(interval *typev1.Quantity) string {
	if interval == nil {
		return keepOut
	}
	return amount(interval)
}

func (a *app) releaseAssess() *cobra.Command {
	return a.command(text{
		use: "assess PROGRAM", short: "Say what the inspections of a program show, and what a release lacks",
		long: `Says what share of affected plants the clean inspections of a program rule out, with
which confidence, and over how many days they looked. The exit code is 3 when they
do not show what the release step asks for. It is a statement about a sample: plants
can carry a disease without signs. ` + Caution,
		example: "  velamen treatment assess p-1\n  velamen treatment assess p-1 --json",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PROGRAM", args[0], "programs")
		if err != nil {
			return err
		}
		assessed, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.AssessRelease,
			&treatmentv1.AssessReleaseRequest{Name: name})
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, assessed, func(s *sheet) { s.assessment(assessed) }); err != nil {
			return err
		}
		if !assessed.GetSufficient() {
			return outcomeError{exitRefused, errors.New("the inspections so far do not show what a release needs")}
		}
		return nil
	})
}

func (s *sheet) assessment(assessed *treatmentv1.ReleaseAssessment) {
	s.line("%s", assessed.GetStatement())
	s.line("")
	s.fact("Enough for a release", yes(assessed.GetSufficient()))
	s.fact("Missing", strings.Join(assessed.GetMissing(), "\n"))
	s.fact("Plants in the lots", assessed.GetPlants())
	s.fact("To look at in each inspection", assessed.GetPlantsNeeded())
	s.fact("Confidence reached", amount(assessed.GetConfidence()))
	s.fact("Share of affected plants ruled out", amount(assessed.GetPrevalenceRuledOut()))
	s.fact("From first to last clean inspection", fmt.Sprintf("%d days of %d", assessed.GetSpanDays(), assessed.GetSpanDaysNeeded()))
	if assessed.GetInspectionsApartDays() > 0 {
		s.fact("Inspections", fmt.Sprintf("the first %d days after the plants were last open to infection, the next every %d days",
			assessed.GetFirstInspectionAfterDays(), assessed.GetInspectionsApartDays()))
	}
	if assessed.GetEarliestTime() != nil {
		s.fact("Clean for long enough from", s.when(assessed.GetEarliestTime()))
	}
	if assessed.GetLastSampled() > 0 {
		s.fact("Last inspection", fmt.Sprintf("%d of %d had signs: at that confidence %d to %d of all plants",
			assessed.GetLastAffected(), assessed.GetLastSampled(), assessed.GetIncidenceLow(), assessed.GetIncidenceHigh()))
	}
	s.fact("Sources", strings.Join(assessed.GetSources(), "\n"))
}
