package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func (a *app) dutyCommand() *cobra.Command {
	return group("duty", "What the law asks for because of a regulated pest",
		"A regulated pest that is suspected or found puts its lots on official hold and must be reported in time. "+Caution,
		a.dutyRaise(), a.dutyNotify(), a.dutyEnd(), a.dutyGet(), a.dutyList())
}

func (a *app) dutyRaise() *cobra.Command {
	request := &diagnosisv1.CreateDutyRequest{Duty: &diagnosisv1.Duty{}}
	var when string
	cmd := a.command(text{
		use: "raise", short: "Record that a regulated pest is suspected",
		long: `Records that a regulated pest is suspected. From then on its lots may not be moved,
split, joined or sold, and the authority must be told by the time that is shown. A
confirmed diagnosis of a regulated pest records this by itself. Advisers, managers
and owners only. ` + Caution,
		example: `  velamen diagnosis duty raise --pest ramorum-gb --lot l-0001 --inspection 0199b1f2-0000-7000-8000-000000000001`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Duty.Lots, err = a.names("--lot", request.GetDuty().GetLots(), "lots"); err != nil {
			return err
		}
		if request.Duty.Inspections, err = a.names("--inspection", request.GetDuty().GetInspections(), "inspections"); err != nil {
			return err
		}
		if request.Duty.SuspectTime, err = a.moment(ctx, "--since", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		duty, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.CreateDuty, request)
		if err != nil {
			return err
		}
		return a.showDuty(ctx, duty)
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Duty.Pest, "pest", "", "the regulated pest, from velamen diagnosis pest list")
	flags.StringSliceVar(&request.Duty.Lots, "lot", nil, "lot to hold (may be repeated)")
	flags.StringSliceVar(&request.Duty.Inspections, "inspection", nil, "inspection that raised it (may be repeated)")
	flags.StringVar(&when, "since", "", `when suspicion began (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "pest", "lot", "inspection")
}

func (a *app) dutyNotify() *cobra.Command {
	request := &diagnosisv1.RecordNotificationRequest{}
	var when string
	cmd := a.command(text{
		use: "notify DUTY", short: "Record that the authority was told",
		long:    "Records when the authority was told and its reference. velamen tells nobody by itself: call first. Advisers, managers and owners only.",
		example: `  velamen diagnosis duty notify 0199b1f2-0000-7000-8000-000000000004 --reference "case 12, by telephone"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("DUTY", args[0], "duties"); err != nil {
			return err
		}
		if request.NotifyTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		duty, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.RecordNotification, request)
		if err != nil {
			return err
		}
		return a.showDuty(ctx, duty)
	})
	cmd.Flags().StringVar(&request.Reference, "reference", "", "the authority's reference, or who took the call")
	cmd.Flags().StringVar(&when, "when", "", `when it was told (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "reference")
}

func (a *app) dutyEnd() *cobra.Command {
	request := &diagnosisv1.EndDutyRequest{}
	var when string
	cmd := a.command(text{
		use: "end DUTY", short: "Record that the authority has ended a hold, or that a suspicion was wrong",
		long: `Records the end of a duty with its grounds and frees its lots of the official hold.
What a person confirmed ends only after the authority was told. Managers and owners
only.`,
		example: `  velamen diagnosis duty end 0199b1f2-0000-7000-8000-000000000004 --grounds "letter of release of 2026-06-12"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("DUTY", args[0], "duties"); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		duty, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.EndDuty, request)
		if err != nil {
			return err
		}
		return a.showDuty(ctx, duty)
	})
	cmd.Flags().StringVar(&request.Grounds, "grounds", "", "the authority's document, or why the suspicion was wrong")
	cmd.Flags().StringVar(&when, "when", "", `when it ended (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "grounds")
}

func (a *app) dutyGet() *cobra.Command {
	return a.command(text{
		use: "get DUTY", short: "Show one duty", long: "Shows one duty: what the law asks for, until when, and what was done.",
		example: "  velamen diagnosis duty get 0199b1f2-0000-7000-8000-000000000004",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("DUTY", args[0], "duties")
		if err != nil {
			return err
		}
		duty, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetDuty, &diagnosisv1.GetDutyRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showDuty(ctx, duty)
	})
}

func (a *app) showDuty(ctx context.Context, duty *diagnosisv1.Duty) error {
	return a.showWithCaution(ctx, duty, func(s *sheet) {
		s.fact("Duty", shortName(duty.GetName()))
		s.fact("Pest", duty.GetPest())
		s.fact("State", dutyState(duty))
		s.fact("Tell", duty.GetAuthority())
		s.fact("By", s.when(duty.GetNotifyByTime()))
		s.fact("The law asks", duty.GetDemand())
		s.fact("Source", duty.GetSource())
		s.fact("Lots on hold", shortNames(duty.GetLots()))
		s.fact("Suspected since", s.when(duty.GetSuspectTime()))
		s.fact("Raised by", shortName(duty.GetRaiser()))
		s.fact("Diagnosis", shortName(duty.GetDiagnosis()))
		s.fact("Inspections", shortNames(duty.GetInspections()))
		s.fact("Told", s.when(duty.GetNotifyTime()))
		s.fact("Told by", shortName(duty.GetNotifier()))
		s.fact("Reference", duty.GetReference())
		s.fact("Ended", s.when(duty.GetEndTime()))
		s.fact("Ended by", shortName(duty.GetEnder()))
		s.fact("Grounds", duty.GetEndGrounds())
	})
}

// dutyState says how urgent a duty is.
func dutyState(d *diagnosisv1.Duty) string {
	state := word(d.GetState())
	if d.GetOverdue() {
		state += ", OVERDUE"
	}
	return state
}

func (a *app) dutyList() *cobra.Command {
	var limit int
	request := &diagnosisv1.ListDutiesRequest{}
	cmd := a.command(text{
		use: "list", short: "List the duties, the most urgent first", long: "Lists the duties towards authorities, those to be told of first.",
		example: "  velamen diagnosis duty list --state open",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		duties, err := gather(limit, func(size int32, token string) (*diagnosisv1.ListDutiesResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListDuties, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, duties, func(s *sheet) {
			if s.none(len(duties.GetDuties()), "duties") {
				return
			}
			s.row("DUTY", "PEST", "STATE", "TELL BY", "LOTS ON HOLD")
			for _, duty := range duties.GetDuties() {
				s.row(shortName(duty.GetName()), duty.GetPest(), dutyState(duty), s.when(duty.GetNotifyByTime()), shortNames(duty.GetLots()))
			}
			s.more(duties.GetNextPageToken())
		})
	})
	enumFlag(cmd.Flags(), &request.State, "state", "only those in this state")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) pestList() *cobra.Command {
	var all bool
	cmd := a.command(text{
		use: "list", short: "List the pests that the law names here",
		long: `Lists the regulated pests of the nursery's jurisdiction: whom to tell, until when,
and what becomes of the plants. No list is complete; ask the authority. ` + Caution,
		example: "  velamen diagnosis pest list\n  velamen diagnosis pest list --all",
	}, func(ctx context.Context, _ []string) (err error) {
		request := &diagnosisv1.ListRegulatedPestsRequest{}
		if !all {
			if request.Parent, err = a.parent(); err != nil {
				return err
			}
		}
		pests, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListRegulatedPests, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, pests, func(s *sheet) {
			if !s.none(len(pests.GetPests()), "regulated pests known here") {
				for _, pest := range pests.GetPests() {
					s.pest(pest)
				}
			}
			s.line("%s", pests.GetCaution())
		})
	})
	cmd.Flags().BoolVar(&all, "all", false, "those of all jurisdictions")
	return cmd
}

func (s *sheet) pest(p *diagnosisv1.RegulatedPest) {
	s.fact("Pest", p.GetId())
	s.fact("Names", strings.Join(p.GetPests(), ", "))
	s.fact("Disorder", p.GetDisorder())
	s.fact("On", generaText(p.GetGenera()))
	s.fact("In", strings.Join(p.GetJurisdictions(), ", "))
	s.fact("Status", p.GetStatus())
	s.fact("Tell", fmt.Sprintf("%s, %s", p.GetAuthority(), withinHours(p.GetNotifyWithinHours())))
	s.fact("The law asks", p.GetDuty())
	s.fact("Destroy within", metres(p.GetDestroyWithinM()))
	s.fact("Hold within", metres(p.GetHoldWithinM()))
	if p.GetHoldDays() > 0 {
		s.fact("Hold at least", fmt.Sprintf("%d days", p.GetHoldDays()))
	}
	if p.GetNoMasking() {
		s.fact("During the hold", "no treatment that could mask signs")
	}
	s.fact("Source", p.GetSource())
	s.line("")
}

// generaText names a few genera and counts the others.
func generaText(genera []string) string {
	const few = 8
	switch {
	case len(genera) == 0:
		return "any plant"
	case len(genera) <= few:
		return strings.Join(genera, ", ")
	default:
		return fmt.Sprintf("%s and %d more genera", strings.Join(genera[:few], ", "), len(genera)-few)
	}
}

func withinHours(hours int32) string {
	if hours == 0 {
		return "at once"
	}
	return fmt.Sprintf("within %d hours", hours)
}

func metres(distance string) string {
	if distance == "" {
		return ""
	}
	return distance + " m"
}
