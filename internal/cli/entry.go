package cli

import (
	"context"
	"errors"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) entryCommand() *cobra.Command {
	return group("entry", "Who goes into which house",
		"Entry into a house after something was applied is held to the rules and kept in a log. "+Caution,
		a.entryCheck(), a.entryRecord(), a.entryEnd(), a.entryLog())
}

// entryWords is an entry as it is typed.
type entryWords struct {
	entry       treatmentv1.HouseEntry
	from, until string
}

func (w *entryWords) flags(flags *pflag.FlagSet) {
	w.entry.Kind = treatmentv1.EntryKind_ENTRY_KIND_ORDINARY
	enumFlag(flags, &w.entry.Kind, "as", "as what (default: ordinary)")
	flags.StringVar(&w.entry.Purpose, "for", "", "what for")
	flags.StringVar(&w.entry.Person, "person", "", "who (default: you)")
	flags.StringVar(&w.entry.ProtectiveEquipment, "wearing", "", "protective equipment worn; needed for all but an ordinary entry")
	flags.StringVar(&w.until, "until", "", "when they come or came out; needed for an early entry, absent for who is still inside")
	for _, answer := range []struct {
		target      *treatmentv1.Said
		name, usage string
	}{
		{&w.entry.Contact, "contact", "whether anything treated is touched"},
		{&w.entry.HandLabour, "hand-labour", "whether it is hand labour"},
		{&w.entry.Unforeseen, "unforeseen", "whether the need could not be foreseen and waiting would cost much"},
		{&w.entry.Declared, "declared", "whether an agency has declared the emergency"},
	} {
		enumFlag(flags, answer.target, answer.name, answer.usage)
	}
}

// said is the entry with whole names and times; from is read where it was typed.
func (w *entryWords) said(ctx context.Context, a *app) (_ *treatmentv1.HouseEntry, err error) {
	if w.entry.Person, err = a.optionalName("--person", w.entry.GetPerson(), "people"); err != nil {
		return nil, err
	}
	if w.entry.EndTime, err = a.moment(ctx, "--until", w.until); err != nil {
		return nil, err
	}
	return &w.entry, nil
}

func (a *app) entryCheck() *cobra.Command {
	words := &entryWords{}
	cmd := a.command(text{
		use: "check HOUSE", short: "Say whether somebody may enter a house",
		long: `Holds an entry to the rules without recording it: an ordinary one to an open house, a
handler to training, age and equipment, an early one to the limits of its kind and to
what the log has of the person in the 24 hours before. The exit code is 3 when a rule
forbids it. ` + Caution,
		example: `  velamen entry check h1 --for watering
  velamen entry check h1 --as short-term --for "close a valve" --from "2026-03-02 14:00" --until "2026-03-02 14:20" \
    --hand-labour no --wearing "coveralls, gloves, boots"`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &treatmentv1.CheckEntryRequest{}
		if request.Parent, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if request.Entry, err = words.said(ctx, a); err != nil {
			return err
		}
		request.Entry.StartTime = timestamppb.New(a.Clock.Now())
		if words.from != "" {
			if request.Entry.StartTime, err = a.moment(ctx, "--from", words.from); err != nil {
				return err
			}
		}
		checked, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CheckEntry, request)
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, checked, func(s *sheet) { s.entryChecked(checked) }); err != nil {
			return err
		}
		if !checked.GetAllowed() {
			return outcomeError{exitRefused, errors.New("a rule forbids this entry")}
		}
		return nil
	})
	words.flags(cmd.Flags())
	cmd.Flags().StringVar(&words.from, "from", "", `when they go in (default: now), as in "2026-03-02 14:00"`)
	return needs(cmd, "for")
}

func (s *sheet) entryChecked(checked *treatmentv1.CheckEntryResponse) {
	s.fact("Allowed", yesOrNo(checked.GetAllowed()))
	s.entryGrounds(checked.GetGrounds())
	if len(checked.GetConditions()) > 0 {
		s.line("")
		s.line("Only while this is true:")
		for _, condition := range checked.GetConditions() {
			s.line("- %s", printable(condition))
		}
	}
	var missing []string
	for _, closure := range checked.GetClosures() {
		for _, fact := range closure.GetMissing() {
			if !slices.Contains(missing, fact) {
				missing = append(missing, fact)
			}
		}
	}
	if len(missing) > 0 {
		s.line("")
		s.line("Not entered, so that the stricter rule is taken: %s", printable(strings.Join(missing, "; ")))
	}
}

func yesOrNo(value bool) string {
	if value {
		return "yes"
	}
	return "no"
}

func (s *sheet) entryGrounds(grounds []*treatmentv1.EntryGround) {
	if len(grounds) == 0 {
		return
	}
	s.line("")
	s.row("RULE", "FORBIDS", "WHAT IT SAYS", "SOURCE")
	for _, ground := range grounds {
		s.row(ground.GetRule(), yes(ground.GetRefuses()), ground.GetMessage(), ground.GetSource())
	}
}

func (a *app) entryRecord() *cobra.Command {
	words := &entryWords{}
	cmd := a.command(text{
		use: "record HOUSE", short: "Record that somebody goes or went into a house",
		long: `Records an entry that no rule forbids. Leave --until out while somebody is inside, and
say when they came out with velamen entry end. What a rule forbids and yet happened is
recorded by a manager or an owner, with --breach saying why. ` + Caution,
		example: `  velamen entry record h1 --for watering --from "2026-03-02 07:00"
  velamen entry record h1 --as handler --for "open the vents" --from "2026-03-02 09:10" --wearing "half mask H-2, coveralls, gloves"
  velamen entry record h1 --person wandile --for "fetch a hose" --from "2026-03-02 09:30" --until "2026-03-02 09:35" \
    --breach "he had not seen the sign; sent to wash"`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &treatmentv1.RecordEntryRequest{}
		if request.Parent, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if request.Entry, err = words.said(ctx, a); err != nil {
			return err
		}
		if request.Entry.StartTime, err = a.moment(ctx, "--from", words.from); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		recorded, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.RecordEntry, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, recorded, func(s *sheet) { s.houseEntry(recorded) })
	})
	words.flags(cmd.Flags())
	cmd.Flags().StringVar(&words.from, "from", "", `when they went in, as in "2026-03-02 07:00"`)
	cmd.Flags().StringVar(&words.entry.BreachNote, "breach", "", "why it happened though a rule forbids it")
	return needs(cmd, "for", "from")
}

func (s *sheet) houseEntry(e *treatmentv1.HouseEntry) {
	s.fact("Entry", shortName(e.GetName()))
	s.fact("Person", shortName(e.GetPerson()))
	s.fact("As", word(e.GetKind()))
	s.fact("For", e.GetPurpose())
	s.fact("Wearing", e.GetProtectiveEquipment())
	s.fact("From", s.when(e.GetStartTime()))
	s.fact("Until", orInside(s.when(e.GetEndTime())))
	s.fact("Touches what is treated", word(e.GetContact()))
	s.fact("Hand labour", word(e.GetHandLabour()))
	s.fact("Could not be foreseen", word(e.GetUnforeseen()))
	s.fact("Declared by an agency", word(e.GetDeclared()))
	s.fact("Breach", e.GetBreachNote())
	s.fact("Entered by", shortName(e.GetRecorder()))
	s.entryGrounds(e.GetGrounds())
}

// orInside is when somebody came out.
func orInside(end string) string {
	if end == "" {
		return "still inside"
	}
	return end
}

func (a *app) entryEnd() *cobra.Command {
	request := &treatmentv1.EndEntryRequest{}
	var at string
	cmd := a.command(text{
		use: "end HOUSE/ENTRY", short: "Record when somebody came out",
		long:    "Fills in the end of an entry that was recorded without one. It is written once.",
		example: `  velamen entry end h1/3f0c1d8e-0a51-4c0f-9a55-0d1f64f3c001 --at "2026-03-02 09:40"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("HOUSE/ENTRY", args[0], "houses", "entries"); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--at", at); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		ended, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.EndEntry, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, ended, func(s *sheet) { s.houseEntry(ended) })
	})
	cmd.Flags().StringVar(&at, "at", "", `when they came out, as in "2026-03-02 09:40"`)
	return needs(cmd, "at")
}

func (a *app) entryLog() *cobra.Command {
	var limit int
	var person string
	cmd := a.command(text{
		use: "log [HOUSE]", short: "List who went into a house, or into all",
		long: "Lists the entry log, the newest first. What a rule forbade has the word of the manager who recorded it.",
		example: `  velamen entry log
  velamen entry log h1 --person wandile`,
	}, func(ctx context.Context, args []string) error {
		house := "-"
		if len(args) > 0 {
			house = args[0]
		}
		parent, err := a.name("HOUSE", house, "houses")
		if err != nil {
			return err
		}
		who, err := a.optionalName("--person", person, "people")
		if err != nil {
			return err
		}
		found, err := gather(limit, func(size int32, token string) (*treatmentv1.ListHouseEntriesResponse, error) {
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListHouseEntries,
				&treatmentv1.ListHouseEntriesRequest{Parent: parent, Person: who, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, found, func(s *sheet) {
			if s.none(len(found.GetEntries()), "entries") {
				return
			}
			s.row("ENTRY", "FROM", "UNTIL", "PERSON", "AS", "FOR", "WEARING", "BREACH")
			for _, e := range found.GetEntries() {
				s.row(shortName(e.GetName()), s.when(e.GetStartTime()), orInside(s.when(e.GetEndTime())), shortName(e.GetPerson()),
					word(e.GetKind()), e.GetPurpose(), e.GetProtectiveEquipment(), e.GetBreachNote())
			}
			s.more(found.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&person, "person", "", "only the entries of this person")
	limitFlag(cmd, &limit)
	return cmd
}
