package cli

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	recordsv1 "velamen/gen/velamen/records/v1"
)

// parseMonth refuses what is no month.
func parseMonth(typed string) error {
	if _, err := time.Parse("2006-01", typed); err != nil {
		return usagef("MONTH %q: it must be a month such as 2026-03", typed)
	}
	return nil
}

func (a *app) recordsDuties() *cobra.Command {
	return a.command(text{
		use: "duties MONTH", short: "List what the work of a month asks for, and by when",
		long: `Lists what the law asks for about the work that began in a month: what must be shown,
written, copied or reported, to whom, by which day, and how it stands. Below the list
stands what was taken for granted, what could not be worked out, and whose law was not
read. What was done is recorded with duty-done; what the nursery itself is asked, with
duty-settings. Local law decides what is due.`,
		example: "  velamen records duties 2026-03",
	}, func(ctx context.Context, args []string) (err error) {
		request := &recordsv1.ListRecordDutiesRequest{Month: args[0]}
		if err := parseMonth(args[0]); err != nil {
			return err
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		duties, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListRecordDuties, request)
		if err != nil {
			return err
		}
		return a.show(ctx, duties, func(s *sheet) { s.duties(duties) })
	})
}

// duties lists what is due, then once each what was taken for granted, then the gaps.
func (s *sheet) duties(duties *recordsv1.ListRecordDutiesResponse) {
	var notes []string
	if !s.none(len(duties.GetDuties()), "duties of this month that could be worked out") {
		s.row("DUTY", "OF", "BY", "STATE", "WHAT", "TO", "RECORDED", "SOURCE")
	}
	for _, duty := range duties.GetDuties() {
		s.row(duty.GetDeadline(), dutyOf(duty), s.dueBy(duty), word(duty.GetState()), duty.GetWhat(), duty.GetTo(), s.recorded(duty), dutySource(duty))
		for _, note := range duty.GetNotes() {
			if !slices.Contains(notes, note) {
				notes = append(notes, note)
			}
		}
	}
	s.sentences("Taken for granted, or to be asked:", notes)
	s.sentences("Not worked out, not read or not tracked:", duties.GetGaps())
	s.line("")
	s.line("%s", duties.GetCaution())
}

// sentences lists sentences below a line that says what they are.
func (s *sheet) sentences(what string, sentences []string) {
	if len(sentences) == 0 {
		return
	}
	s.line("")
	s.line("%s", what)
	for _, sentence := range sentences {
		s.line("  %s", strings.ReplaceAll(printable(sentence), "\n", " "))
	}
}

// dutyOf is the work that a duty is about.
func dutyOf(duty *recordsv1.Duty) string {
	if duty.GetMonthReport() {
		return fmt.Sprintf("the month, %d applications", len(duty.GetApplications()))
	}
	return shortNames(duty.GetApplications())
}

// dueBy is the last day of a duty, or its moment where the law counts to one.
func (s *sheet) dueBy(duty *recordsv1.Duty) string {
	by := cmp.Or(duty.GetDueDate().GetValue(), s.when(duty.GetDueTime()))
	if by != "" && duty.GetLasts() {
		return "lasts until " + by
	}
	return by
}

// recorded is what was recorded of a duty, the oldest first.
func (s *sheet) recorded(duty *recordsv1.Duty) string {
	texts := make([]string, len(duty.GetRecords()))
	for i, record := range duty.GetRecords() {
		texts[i] = fmt.Sprintf("%s: %s", shortName(record.GetName()), s.when(record.GetDoneTime()))
		if record.GetReference() != "" {
			texts[i] += ", " + record.GetReference()
		}
	}
	return strings.Join(texts, "; ")
}

func dutySource(duty *recordsv1.Duty) string {
	if duty.GetVerified() {
		return duty.GetSource()
	}
	return duty.GetSource() + " (from memory)"
}

func (a *app) recordsDutyDone() *cobra.Command {
	done := &recordsv1.DutyRecord{}
	var at string
	cmd := a.command(text{
		use: "duty-done MONTH DUTY", short: "Record that something that was due was done",
		long: `Records that a duty of a month was done: shown, copied, reported. DUTY is the word that
duties lists, such as ca-grower-report. One of a single application needs --application;
a report of the month has none. A record is never changed: the first time that it was
done counts, and a further record adds to it. Managers and owners only.`,
		example: `  velamen records duty-done 2026-03 ca-grower-report --done "2026-04-08 15:30" --to "commissioner of the county" --reference R-1182
  velamen records duty-done 2026-03 us-display-information --application a1 --done "2026-03-02 08:00"`,
	}, func(ctx context.Context, args []string) (err error) {
		done.Month, done.Deadline = args[0], args[1]
		if err := parseMonth(done.GetMonth()); err != nil {
			return err
		}
		if done.Application, err = a.optionalName("--application", done.GetApplication(), "applications"); err != nil {
			return err
		}
		if done.DoneTime, err = a.moment(ctx, "--done", at); err != nil {
			return err
		}
		request := &recordsv1.RecordDutyRequest{DutyRecord: done}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		record, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.RecordDuty, request)
		if err != nil {
			return err
		}
		return a.show(ctx, record, func(s *sheet) {
			s.fact("Record", shortName(record.GetName()))
			s.fact("Duty", record.GetDeadline())
			s.fact("Month", record.GetMonth())
			s.fact("Application", shortName(record.GetApplication()))
			s.fact("Done", s.when(record.GetDoneTime()))
			s.fact("To", record.GetRecipient())
			s.fact("Reference", record.GetReference())
			s.fact("Note", record.GetNote())
			s.fact("Recorded by", shortName(record.GetPerson()))
			s.fact("Recorded", s.when(record.GetCreateTime()))
		})
	})
	flags := cmd.Flags()
	flags.StringVar(&at, "done", "", `when it was done, as in "2026-04-08 15:30"`)
	flags.StringVar(&done.Application, "application", "", "of which application; none for a report of the month")
	flags.StringVar(&done.Recipient, "to", "", "to whom")
	flags.StringVar(&done.Reference, "reference", "", "number on the receipt, or where the copy lies")
	flags.StringVar(&done.Note, "note", "", "what else is to be said")
	return needs(cmd, "done")
}

// notSaid is the word that takes an answer back.
const notSaid = "not-said"

// answerFlag is a flag for an answer that can be taken back.
func answerFlag[E enum](flags *pflag.FlagSet, target *E, name, usage string) {
	flags.Var(&parsed{kind: "word", parse: func(typed string) (err error) {
		if typed == notSaid {
			*target = 0
			return nil
		}
		if *target, err = enumOf[E](typed); err != nil {
			err = fmt.Errorf("%w, %s", err, notSaid)
		}
		return err
	}}, name, usage+": "+words[E]()+", "+notSaid)
}

// dutySettingsFields are the fields of the settings by flag.
var dutySettingsFields = map[string]string{
	"performer": "performer", "trades-in-products": "trades_in_products", "monthly-summary": "monthly_summary",
	"electronic-at-once": "electronic_at_once", "longer-conversion": "longer_conversion",
}

func (a *app) recordsDutySettings() *cobra.Command {
	settings := &recordsv1.DutySettings{}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "duty-settings", short: "Show or say what the deadlines ask about the nursery itself",
		long: `Shows what was said of the nursery itself: who applies, whether it trades in products,
how it files and writes its records. With flags it changes what is given; the rest
stays. What nobody said counts as the answer that asks for more. All answers are kept,
with who gave them and when; a nursery that once traded in products keeps its records as
one that does. Only managers and owners change it.`,
		example: `  velamen records duty-settings
  velamen records duty-settings --performer grower --trades-in-products no --monthly-summary no`,
	}, func(ctx context.Context, _ []string) (err error) {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		settings.Name = parent + "/dutySettings"
		mask := given(cmd.Flags(), dutySettingsFields)
		if len(mask.GetPaths()) == 0 {
			stand, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.GetDutySettings,
				&recordsv1.GetDutySettingsRequest{Name: settings.GetName()})
			if err != nil {
				return err
			}
			return a.showDutySettings(ctx, stand)
		}
		request := &recordsv1.UpdateDutySettingsRequest{DutySettings: settings, UpdateMask: mask}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		set, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.UpdateDutySettings, request)
		if err != nil {
			return err
		}
		return a.showDutySettings(ctx, set)
	})
	flags := cmd.Flags()
	answerFlag(flags, &settings.Performer, "performer", "who applies: the nursery with its own people, a pest control business or both")
	answerFlag(flags, &settings.TradesInProducts, "trades-in-products", "whether the nursery also produces, supplies, distributes, imports or exports products")
	answerFlag(flags, &settings.MonthlySummary, "monthly-summary", "whether use is not for production and is filed in a monthly summary")
	answerFlag(flags, &settings.ElectronicAtOnce, "electronic-at-once", "whether records are made in the electronic form at once")
	answerFlag(flags, &settings.LongerConversion, "longer-conversion", "whether the member state of the EU allows a longer time to convert a record")
	etagFlag(cmd, &settings.Etag)
	return cmd
}

func (a *app) showDutySettings(ctx context.Context, settings *recordsv1.DutySettings) error {
	return a.show(ctx, settings, func(s *sheet) {
		s.fact("Who applies", cmp.Or(word(settings.GetPerformer()), notSaid))
		s.fact("Trades in products", cmp.Or(word(settings.GetTradesInProducts()), notSaid))
		s.fact("Files monthly summaries", cmp.Or(word(settings.GetMonthlySummary()), notSaid))
		s.fact("Electronic at once", cmp.Or(word(settings.GetElectronicAtOnce()), notSaid))
		s.fact("Longer time to convert", cmp.Or(word(settings.GetLongerConversion()), notSaid))
		s.fact("Said by", shortName(settings.GetPerson()))
		s.fact("Said", s.when(settings.GetUpdateTime()))
		s.fact("ETag", settings.GetEtag())
	})
}
