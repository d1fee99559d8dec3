package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	recordsv1 "velamen/gen/velamen/records/v1"
)

func (a *app) recordsCommand() *cobra.Command {
	return group("records", "The ledger of applications, and the reports made from it",
		"Entries of the ledger are never changed: a correction is a new entry that points at the one it corrects. "+Caution,
		a.recordsHouse(), a.recordsReport(), a.recordsTotals(), a.recordsHistory(), a.recordsEntries(), a.recordsEntry(), a.recordsCorrect(),
		a.recordsVerify(), a.recordsClose(), a.recordsCloses(), a.recordsHold(), a.recordsHolds(), a.recordsLift(),
		a.recordsDuties(), a.recordsDutyDone(), a.recordsDutySettings(), a.recordsRetention(), a.recordsPurge(), a.recordsPurges())
}

// reportFormats are the words for the formats, as reports call them.
var reportFormats = map[string]recordsv1.ExportFormat{
	"table": recordsv1.ExportFormat_EXPORT_FORMAT_TEXT,
	"csv":   recordsv1.ExportFormat_EXPORT_FORMAT_CSV,
	"json":  recordsv1.ExportFormat_EXPORT_FORMAT_JSON,
}

func (a *app) recordsHouse() *cobra.Command {
	var from, to, format string
	cmd := a.command(text{
		use: "house HOUSE", short: "Write the pesticide-use record of a house",
		long: `Writes the pesticide-use record of a house from one day to another, both included,
exactly as the server makes it. --json is --format json.`,
		example: `  velamen records house h1 --from 2026-03-01 --to 2026-03-31
  velamen records house h1 --from 2026-01-01 --to 2026-12-31 --format csv > h1-2026.csv`,
	}, func(ctx context.Context, args []string) (err error) {
		record := &recordsv1.GetUseRecordRequest{}
		if record.House, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if record.FromDate, err = parseDay("--from", from); err != nil {
			return err
		}
		if record.ToDate, err = parseDay("--to", to); err != nil {
			return err
		}
		return a.writeUseRecord(ctx, record, format)
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01")
	flags.StringVar(&to, "to", "", "last day, as in 2026-03-31")
	flags.StringVar(&format, "format", "table", "table, csv or json")
	return needs(cmd, "from", "to")
}

func (a *app) writeUseRecord(ctx context.Context, record *recordsv1.GetUseRecordRequest, format string) error {
	if a.flags.json {
		format = "json"
	}
	known, ok := reportFormats[format]
	if !ok {
		return usagef("--format %q: it must be table, csv or json", format)
	}
	report, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ExportUseRecord,
		&recordsv1.ExportUseRecordRequest{Record: record, Format: known})
	if err != nil {
		return err
	}
	_, err = a.Out.Write(report.GetData())
	return err
}

func (a *app) recordsEntries() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "entries", short: "List the ledger", long: "Lists the ledger in its order: one entry for each product of each application in each house.",
		example: "  velamen records entries\n  velamen records entries --limit 0 --json",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		entries, err := gather(limit, func(size int32, token string) (*recordsv1.ListEntriesResponse, error) {
			return call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.ListEntries,
				&recordsv1.ListEntriesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, entries, func(s *sheet) {
			if s.none(len(entries.GetEntries()), "entries") {
				return
			}
			s.row("ENTRY", "START", "HOUSE", "PRODUCT", "AMOUNT", "ACTIVES", "AREA", "BY", "RE-ENTRY AFTER", "CORRECTION", "AGAINST RULES")
			for _, entry := range entries.GetEntries() {
				s.row(shortName(entry.GetName()), s.when(entry.GetStartTime()), shortName(entry.GetHouse()), entry.GetProductDisplayName(),
					amount(entry.GetProductAmount()), activesIn(entry), amount(entry.GetArea()), entry.GetApplicatorDisplayName(),
					reentryAfter(entry.GetRestrictedEntryInterval()), correctionAndLateness(entry), againstRules(entry))
			}
			s.more(entries.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func activesIn(entry *recordsv1.Entry) string {
	texts := make([]string, len(entry.GetActives()))
	for i, active := range entry.GetActives() {
		texts[i] = fmt.Sprintf("%s (FRAC %s) %s", active.GetActiveIngredient(), active.GetFracCode(), amount(active.GetAmount()))
	}
	return strings.Join(texts, ", ")
}

// againstRules says which rules an application went against, as a breach or because
// a person overrode them.
func againstRules(entry *recordsv1.Entry) string {
	var texts []string
	if entry.GetBreachNote() != "" {
		texts = append(texts, "breach: "+entry.GetBreachNote())
	}
	if len(entry.GetBreachRules()) > 0 {
		texts = append(texts, "broke: "+strings.Join(entry.GetBreachRules(), ", "))
	}
	for _, override := range entry.GetOverrides() {
		texts = append(texts, "overridden: "+override.GetRule())
	}
	return strings.Join(texts, "; ")
}

// lateFor names the month that was closed before an entry for it came in.
func lateFor(entry *recordsv1.Entry) string {
	if entry.GetLateFor() == "" {
		return ""
	}
	return "the close of " + shortName(entry.GetLateFor())
}

// correctionAndLateness is what a list of the ledger says about an entry's place.
func correctionAndLateness(entry *recordsv1.Entry) string {
	texts := []string{correction(entry)}
	if late := lateFor(entry); late != "" {
		texts = append(texts, "late for "+late)
	}
	return strings.TrimPrefix(strings.Join(texts, "; "), "; ")
}

func correction(entry *recordsv1.Entry) string {
	switch {
	case entry.GetCorrectedBy() != "":
		return "corrected by " + shortName(entry.GetCorrectedBy())
	case entry.GetCorrection() != nil:
		return "corrects " + shortName(entry.GetCorrection().GetCorrects())
	default:
		return ""
	}
}

func (a *app) recordsEntry() *cobra.Command {
	return a.command(text{
		use: "entry ENTRY", short: "Show one entry of the ledger", long: "Shows one entry with its hash and what it corrects.",
		example: "  velamen records entry 12",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("ENTRY", args[0], "entries")
		if err != nil {
			return err
		}
		entry, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.GetEntry, &recordsv1.GetEntryRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showEntry(ctx, entry)
	})
}

func (a *app) showEntry(ctx context.Context, entry *recordsv1.Entry) error {
	return a.showWithCaution(ctx, entry, func(s *sheet) {
		s.fact("Entry", shortName(entry.GetName()))
		s.fact("Application", shortName(entry.GetApplication()))
		s.fact("House", shortName(entry.GetHouse()))
		s.fact("Product", fmt.Sprintf("%s, registration %s", entry.GetProductDisplayName(), entry.GetRegistrationNumber()))
		s.fact("Amount", amount(entry.GetProductAmount()))
		s.fact("Active ingredients", activesIn(entry))
		s.fact("Mix", amount(entry.GetMixVolume()))
		s.fact("Area", amount(entry.GetArea()))
		s.fact("Method", word(entry.GetMethod()))
		s.fact("Against", entry.GetTarget())
		s.fact("Crops", cropsWithCodes(entry))
		s.fact("Start", s.when(entry.GetStartTime()))
		s.fact("End", s.when(entry.GetEndTime()))
		s.fact("Applied by", fmt.Sprintf("%s (%s)", entry.GetApplicatorDisplayName(), shortName(entry.GetApplicator())))
		s.fact("Re-entry after", reentryAfter(entry.GetRestrictedEntryInterval()))
		s.fact("Restricted use", yes(entry.GetRestrictedUse()))
		s.dayFacts(entry)
		s.fact("Breach", entry.GetBreachNote())
		s.fact("Rules that it broke", strings.Join(entry.GetBreachRules(), ", "))
		s.fact("Late for", lateFor(entry))
		s.fact("Correction", correction(entry))
		if entry.GetCorrection() != nil {
			s.fact("Corrected by", shortName(entry.GetCorrection().GetPerson()))
			s.fact("Why", entry.GetCorrection().GetNote())
		}
		s.fact("Hash", entry.GetHash())
		showOverrides(s, entry.GetOverrides())
	})
}

func (a *app) recordsCorrect() *cobra.Command {
	request := &recordsv1.CorrectEntryRequest{}
	var start, end string
	cmd := a.command(text{
		use: "correct ENTRY", short: "Append an entry that takes an earlier one's place",
		long: `Appends a corrected entry, or one with a fact that the earlier lacks. What is not given
stays; the earlier entry stays in the ledger and points at its correction. Managers and
owners only.`,
		example: `  velamen records correct 12 --product-amount 100g --note "scale read wrongly"
  velamen records correct 12 --growth-stage 61 --supervisor mira --note "forgotten on the day"
  velamen records correct 12 --crop-code "Vanda coerulea=VNDCO" --note "not entered on the day"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("ENTRY", args[0], "entries"); err != nil {
			return err
		}
		if request.StartTime, err = a.moment(ctx, "--start", start); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--end", end); err != nil {
			return err
		}
		if request.Supervisor, err = a.optionalName("--supervisor", request.GetSupervisor(), "people"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		entry, err := call(ctx, a, recordsv1.NewRecordsServiceClient, recordsv1.RecordsServiceClient.CorrectEntry, request)
		if err != nil {
			return err
		}
		return a.showEntry(ctx, entry)
	})
	flags := cmd.Flags()
	quantityFlag(flags, &request.ProductAmount, "product-amount", "right amount of product, as in 100g")
	quantityFlag(flags, &request.MixVolume, "mix", "right volume of mix, as in 20L")
	quantityFlag(flags, &request.Area, "area", "right area, as in 40m2")
	flags.StringVar(&start, "start", "", `right start, as in "2026-03-01 10:00"`)
	flags.StringVar(&end, "end", "", `right end, as in "2026-03-01 11:30"`)
	flags.StringVar(&request.Note, "note", "", "why")
	facts := correctDayFlags(flags, request)
	cmd.MarkFlagsOneRequired(append(facts, "product-amount", "mix", "area", "start", "end")...)
	return needs(cmd, "note")
}
