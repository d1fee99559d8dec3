package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) contactsTrace() *cobra.Command {
	request := &treatmentv1.TraceContactsRequest{}
	var onset, survey string
	cmd := a.command(text{
		use: "trace [CASE]", short: "Say which lots could have caught it, and how to inspect them",
		long: `Says which lots shared a bench, a bench beside it, water, tools, a worker or a crate
with the infected lots inside the time in which these could have spread it, the most
exposed first, with how many plants to look at and between which days. Where a law
sets zones in metres it says where each lot lies. Exposure is a rank, no probability.
Give a case, or the infected lots and their disorder. ` + Caution,
		example: `  velamen treatment trace c-1
  velamen treatment trace --lot l-0001 --disorder black-rot --onset "2026-03-01 10:00"
  velamen treatment trace c-1 --survey "2026-03-05 16:00" --json`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if len(args) == 0 && (len(request.GetLots()) == 0 || request.GetDisorder() == "") {
			return usagef("give a CASE, or --lot with --disorder")
		}
		if len(args) > 0 {
			if request.Case, err = a.name("CASE", args[0], "cases"); err != nil {
				return err
			}
		}
		if request.Lots, err = a.names("--lot", request.GetLots(), "lots"); err != nil {
			return err
		}
		if request.OnsetTime, err = a.moment(ctx, "--onset", onset); err != nil {
			return err
		}
		if request.SurveyTime, err = a.moment(ctx, "--survey", survey); err != nil {
			return err
		}
		trace, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.TraceContacts, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(ctx, trace, func(s *sheet) { s.trace(trace) })
	})
	cmd.Args = cobra.MaximumNArgs(1)
	flags := cmd.Flags()
	flags.StringSliceVar(&request.Lots, "lot", nil, "an infected lot, when there is no case yet (may be repeated)")
	flags.StringVar(&request.Disorder, "disorder", "", "what they are held to have, when there is no case yet")
	flags.StringVar(&onset, "onset", "", "when signs were first seen (default: the case's first inspection, else now)")
	flags.StringVar(&survey, "survey", "", "when the delimitation survey was completed, where the law counts a hold from then")
	return cmd
}

func (s *sheet) trace(trace *treatmentv1.ContactTrace) {
	s.fact("Infected lots", shortNames(trace.GetInfectedLots()))
	s.fact("Disorder", trace.GetDisorder())
	s.fact("Could have spread from", s.when(trace.GetWindowStartTime()))
	s.fact("Until", s.when(trace.GetWindowEndTime()))
	s.fact("Regulated pest", trace.GetRegulatedPest())
	s.fact("Official hold at least until", trace.GetHoldUntilDate())
	s.line("")
	if !s.none(len(trace.GetExposedLots()), "lots on record that shared anything with them") {
		s.row("LOT", "BENCH", "PLANTS", "EXPOSURE", "LOOK AT", "FROM", "UNTIL", "ZONE", "DISTANCE", "OFFICIAL HOLD")
		for _, lot := range trace.GetExposedLots() {
			s.row(shortName(lot.GetLot()), shortName(lot.GetBench()), lot.GetPlants(), lot.GetExposure(), lot.GetPlantsToInspect(),
				lot.GetInspectFromDate(), lot.GetInspectUntilDate(), word(lot.GetZone()), amount(lot.GetDistance()), shortNames(lot.GetOfficialHolds()))
		}
		s.line("")
		s.contacts(trace)
	}
	if len(trace.GetSold()) > 0 {
		s.line("")
		s.row("SOLD FROM", "PLANTS", "WHEN", "TO WHOM")
		for _, sold := range trace.GetSold() {
			s.row(shortName(sold.GetLot()), sold.GetPlants(), s.when(sold.GetSellTime()), sold.GetNote())
		}
	}
	s.remarks(trace.GetSamplingStatement(), trace.GetNotes(), trace.GetSources())
}

func (s *sheet) contacts(trace *treatmentv1.ContactTrace) {
	for _, lot := range trace.GetExposedLots() {
		for _, contact := range lot.GetContacts() {
			s.line("%s: %s", shortName(lot.GetLot()), printable(contact.GetSentence()))
		}
	}
}

// remarks writes what samples stand for, what is missing, and where it comes from.
func (s *sheet) remarks(sampling string, notes, sources []string) {
	s.line("")
	s.line("%s", printable(sampling))
	for _, note := range notes {
		s.line("Note: %s", printable(note))
	}
	for _, source := range sources {
		s.line("Source: %s", printable(source))
	}
}

func (a *app) inspectionsPropose() *cobra.Command {
	request := &treatmentv1.ProposeInspectionsRequest{}
	cmd := a.command(text{
		use: "inspections", short: "Say what to look at on a day, why, and how many plants",
		long: `Says which lots to look at on a day, in an order that enters clean houses and lots
before suspect ones: inspections that programs have due, lots on official hold, lots
exposed to an open case, lots that the climate let something infect, and those not
looked at for a week. Where lots stand is known for now, so no past day is planned. ` + Caution,
		example: `  velamen treatment inspections
  velamen treatment inspections --date 2026-03-04 --house h1 --max-lots 20`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.House, err = a.optionalName("--house", request.GetHouse(), "houses"); err != nil {
			return err
		}
		plan, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ProposeInspections, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(ctx, plan, func(s *sheet) { s.inspections(plan) })
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Date, "date", "", "the day, YYYY-MM-DD, today or later (default: today)")
	flags.StringVar(&request.House, "house", "", "only this house")
	flags.Int32Var(&request.MaxLots, "max-lots", 0, "at most so many lots; 0 means 100")
	return cmd
}

func (s *sheet) inspections(plan *treatmentv1.InspectionPlan) {
	s.line("To look at on %s, in this order:", plan.GetDate())
	s.line("")
	if !s.none(len(plan.GetInspections()), "lots to look at") {
		s.row("ORDER", "LOT", "BENCH", "PLANTS", "LOOK AT", "LAST SEEN", "WHY")
		for i, inspection := range plan.GetInspections() {
			s.row(i+1, shortName(inspection.GetLot()), shortName(inspection.GetBench()), inspection.GetPlants(), inspection.GetPlantsToInspect(),
				s.when(inspection.GetLastInspectTime()), inspectionReasons(inspection))
		}
	}
	s.infections(plan)
	s.remarks(plan.GetSamplingStatement(), plan.GetNotes(), plan.GetSources())
}

const infectionRisk = treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK

// inspectionReasons are the reasons for one lot, short: what the climate let infect
// is named together, and infections says when.
func inspectionReasons(inspection *treatmentv1.ProposedInspection) string {
	var texts, infecting []string
	mark := ""
	for _, reason := range inspection.GetReasons() {
		if reason.GetKind() != infectionRisk {
			texts = append(texts, fmt.Sprintf("%s: %s", word(reason.GetKind()), reason.GetSentence()))
			continue
		}
		infecting = append(infecting, reason.GetDisorder())
		if reason.GetUnverified() {
			mark = " (parameters unverified)"
		}
	}
	if len(infecting) > 0 {
		texts = append(texts, word(infectionRisk)+": "+strings.Join(infecting, ", ")+mark)
	}
	return strings.Join(texts, " | ")
}

// infections says once for every house what its climate let infect, and when.
func (s *sheet) infections(plan *treatmentv1.InspectionPlan) {
	var said []string
	for _, inspection := range plan.GetInspections() {
		for _, reason := range inspection.GetReasons() {
			if reason.GetKind() == infectionRisk && !slices.Contains(said, reason.GetSentence()) {
				said = append(said, reason.GetSentence())
			}
		}
	}
	if len(said) == 0 {
		return
	}
	s.line("")
	s.line("Infection risk:")
	for _, sentence := range said {
		s.line("- %s", printable(sentence))
	}
}
