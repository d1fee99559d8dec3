package cli

import (
	"context"

	"github.com/spf13/cobra"

	identityv1 "velamen/gen/velamen/identity/v1"
)

func (a *app) qualify() *cobra.Command {
	request := &identityv1.RecordQualificationRequest{Qualification: &identityv1.Qualification{}}
	q := request.GetQualification()
	cmd := a.command(text{
		use:   "qualify PERSON",
		short: "Record a training, a clearance, a fit test or equipment",
		long: `Keeps that a person was trained, cleared to wear a respirator, fitted with one, given
protective equipment, or is of full age. It is written once; what was entered in error
is voided. Training and fit tests count for a year. For full age, --date is the day
from which the person is 18, and the date of birth is not kept. Managers and owners
only. Local law decides what is asked for.`,
		example: `  velamen people qualify wandile --kind handler-training --date 2026-02-10 --description "handler film W-3, English" \
    --provider "Ada Adviser, trainer 12"
  velamen people qualify wandile --kind fit-test --date 2026-02-11 --description "half mask H-2, size M" --provider "occupational clinic"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.name("PERSON", args[0], "people"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		kept, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.RecordQualification, request)
		if err != nil {
			return err
		}
		return a.showQualification(ctx, kept)
	})
	enumFlag(cmd.Flags(), &q.Kind, "kind", "what it is about")
	dayFlag(cmd, &q.Date, "date", "the day on which it was given, as in 2026-02-10")
	dayFlag(cmd, &q.EndDate, "until", "the last day on which it counts (default: a year for training and fit tests, else no end)")
	cmd.Flags().StringVar(&q.Description, "description", "", "what exactly: the material, the respirator with model and size, the equipment, or the document seen")
	cmd.Flags().StringVar(&q.Provider, "provider", "", "who trained, cleared, tested or handed out, and what qualifies them")
	return needs(cmd, "kind", "date", "description", "provider")
}

func (a *app) showQualification(ctx context.Context, q *identityv1.Qualification) error {
	return a.show(ctx, q, func(s *sheet) {
		s.fact("Qualification", q.GetName())
		s.fact("Kind", word(q.GetKind()))
		s.fact("Given", q.GetDate().GetValue())
		s.fact("Counts until", q.GetEndDate().GetValue())
		s.fact("What", q.GetDescription())
		s.fact("By", q.GetProvider())
		s.fact("Entered by", shortName(q.GetRecorder()))
		s.fact("Entered", s.when(q.GetCreateTime()))
		if q.GetVoidTime() != nil {
			s.fact("Voided", s.when(q.GetVoidTime()))
			s.fact("Voided by", shortName(q.GetVoider()))
			s.fact("Because", q.GetVoidReason())
		}
	})
}

func (a *app) qualifications() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "qualifications [PERSON]", short: "List trainings, clearances, fit tests and equipment",
		long:    "Lists what is on record, the newest first. Workers see their own.",
		example: "  velamen people qualifications\n  velamen people qualifications wandile",
	}, func(ctx context.Context, args []string) error {
		who := "-"
		if len(args) > 0 {
			who = args[0]
		}
		parent, err := a.name("PERSON", who, "people")
		if err != nil {
			return err
		}
		found, err := gather(limit, func(size int32, token string) (*identityv1.ListQualificationsResponse, error) {
			return call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.ListQualifications,
				&identityv1.ListQualificationsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, found, func(s *sheet) {
			if s.none(len(found.GetQualifications()), "qualifications") {
				return
			}
			s.row("QUALIFICATION", "KIND", "GIVEN", "COUNTS UNTIL", "WHAT", "BY", "VOIDED BECAUSE")
			for _, q := range found.GetQualifications() {
				s.row(shortName(q.GetName()), word(q.GetKind()), q.GetDate().GetValue(), q.GetEndDate().GetValue(),
					q.GetDescription(), q.GetProvider(), q.GetVoidReason())
			}
			s.more(found.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) voidQualification() *cobra.Command {
	request := &identityv1.VoidQualificationRequest{}
	cmd := a.command(text{
		use: "void PERSON/QUALIFICATION", short: "Say that a qualification was entered in error",
		long:    "The qualification stays on record and counts no more. Managers and owners only.",
		example: `  velamen people void wandile/3f0c1d8e-0a51-4c0f-9a55-0d1f64f3c001 --reason "it was Yuki who was trained"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("PERSON/QUALIFICATION", args[0], "people", "qualifications"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		voided, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.VoidQualification, request)
		if err != nil {
			return err
		}
		return a.showQualification(ctx, voided)
	})
	cmd.Flags().StringVar(&request.Reason, "reason", "", "why it counts no more")
	return needs(cmd, "reason")
}

func (a *app) expiries() *cobra.Command {
	request := &identityv1.ListExpiriesRequest{}
	cmd := a.command(text{
		use: "expiries", short: "List what has ended or ends soon",
		long: `Lists certificates, trainings, clearances and fit tests of the people who work here that
have ended or end within --days, the most urgent first. Workers see their own.`,
		example: "  velamen people expiries --days 90",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		found, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.ListExpiries, request)
		if err != nil {
			return err
		}
		return a.show(ctx, found, func(s *sheet) {
			if s.none(len(found.GetExpiries()), "ends") {
				return
			}
			s.row("PERSON", "NAME", "WHAT", "COUNTS UNTIL", "ENDED")
			for _, e := range found.GetExpiries() {
				s.row(shortName(e.GetPerson()), e.GetDisplayName(), e.GetWhat(), e.GetEndDate().GetValue(), yes(e.GetEnded()))
			}
		})
	})
	cmd.Flags().Int32Var(&request.Days, "days", 0, "end within this many days (default 60)")
	return cmd
}
