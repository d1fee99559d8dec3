package cli

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func (a *app) climateCommand() *cobra.Command {
	return group("climate", "What loggers in the houses recorded",
		"Temperature, humidity and leaf wetness of the houses, read from the files of loggers. docs/climate.md says what a file may look like.",
		a.climateImport(), a.climateList(), a.climateShow())
}

func (a *app) climateImport() *cobra.Command {
	request := &diagnosisv1.ImportClimateRequest{Format: &diagnosisv1.ClimateFormat{}}
	cmd := a.command(text{
		use: "import HOUSE FILE", short: "Read the CSV file of a logger, all or nothing",
		long: `Reads a logger's CSV file with its columns in any order; units and columns are
taken from the header, or said with flags where it does not say. What is odd in the
file is printed: gaps, spikes, clock changes, doubled readings. A file whose units
cannot be right is refused, exit code 3. Readings of the same logger and time
replace those of an earlier file. "-" reads from standard input.`,
		example: `  velamen diagnosis climate import h1 logger.csv --logger north
  velamen diagnosis climate import h1 export.csv --logger north --zone standard --temperature-unit F --date-order MDY --dry-run`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		read, err := a.sendClimate(ctx, request, args[1])
		if err != nil {
			return err
		}
		return a.show(ctx, read, func(s *sheet) { s.climateImport(read, request.GetDryRun()) })
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Logger, "logger", "", "what the nursery calls the logger")
	flags.BoolVar(&request.DryRun, "dry-run", false, "check the file and keep nothing")
	flags.StringVar(&request.Format.DateColumn, "date-column", "", "header of the column with date and time, or with the date")
	flags.StringVar(&request.Format.TimeColumn, "time-column", "", "header of the column with the time of day")
	flags.StringVar(&request.Format.TemperatureColumn, "temperature-column", "", "header of the column with the temperature")
	flags.StringVar(&request.Format.HumidityColumn, "humidity-column", "", "header of the column with the relative humidity")
	flags.StringVar(&request.Format.WetnessColumn, "wetness-column", "", "header of the column with the leaf wetness")
	chosenFlag(cmd, &request.Format.TemperatureUnit, temperatureWords, "temperature-unit", "unit of the temperature: C or F")
	chosenFlag(cmd, &request.Format.DateOrder, map[string]string{"DMY": "DMY", "MDY": "MDY", "YMD": "YMD"}, "date-order", "order of dates such as 03/04/2026: DMY, MDY or YMD")
	chosenFlag(cmd, &request.Format.Zone, map[string]string{"local": "LOCAL", "standard": "STANDARD", "utc": "UTC"}, "zone",
		"zone of times without an offset: local (the nursery's clock), standard (its winter time all the year) or utc (default: local)")
	return needs(cmd, "logger")
}

// temperatureWords are the units of a logger's temperature as people type them and as
// the contract and its messages write them.
var temperatureWords = map[string]string{
	"C": "Cel", "°C": "Cel", "Cel": "Cel", "F": "[degF]", "°F": "[degF]", "degF": "[degF]", "[degF]": "[degF]",
}

// chosenFlag is a flag that takes one of some words, which the contract writes
// otherwise.
func chosenFlag(cmd *cobra.Command, target *string, words map[string]string, name, usage string) {
	cmd.Flags().Var(&parsed{kind: "word", parse: func(typed string) error {
		for word, value := range words {
			if strings.EqualFold(word, typed) {
				*target = value
				return nil
			}
		}
		return fmt.Errorf("%q is none of %s", typed, strings.Join(slices.Sorted(maps.Keys(words)), ", "))
	}}, name, usage)
}

func (a *app) sendClimate(ctx context.Context, first *diagnosisv1.ImportClimateRequest, file string) (*diagnosisv1.ClimateImport, error) {
	response, err := upload(ctx, a, file, diagnosisv1.DiagnosisServiceClient.ImportClimate, first,
		func(next *diagnosisv1.ImportClimateRequest, piece []byte) { next.Data = piece })
	return response.GetClimateImport(), err
}

func (s *sheet) climateImport(read *diagnosisv1.ClimateImport, dryRun bool) {
	if dryRun {
		s.line("Checked only; nothing was kept.")
		s.line("")
	}
	format := read.GetFormat()
	s.fact("Import", shortName(read.GetName()))
	s.fact("Logger", read.GetLogger())
	s.fact("Readings kept", read.GetReadings())
	s.fact("Of these in place of others", read.GetReplaced())
	s.fact("Lines left out", read.GetLeftOut())
	s.fact("From", s.when(read.GetStartTime()))
	s.fact("Until", s.when(read.GetEndTime()))
	s.fact("Interval", amount(read.GetInterval()))
	s.fact("Time read from", strings.TrimSuffix(format.GetDateColumn()+" and "+format.GetTimeColumn(), " and "))
	s.fact("Date order", format.GetDateOrder())
	s.fact("Zone", zoneWords[format.GetZone()])
	s.fact("Temperature read from", strings.TrimSpace(format.GetTemperatureColumn()+" "+inBrackets(unitWords[format.GetTemperatureUnit()])))
	s.fact("Humidity read from", format.GetHumidityColumn())
	s.fact("Wetness read from", format.GetWetnessColumn())
	s.fact("Faults", strings.Join(read.GetFaultCounts(), ", "))
	if len(read.GetFaults()) == 0 {
		return
	}
	s.line("")
	s.row("FAULT", "LINE", "WHAT")
	for _, fault := range read.GetFaults() {
		line := ""
		if fault.GetLine() > 0 {
			line = fmt.Sprint(fault.GetLine())
		}
		s.row(fault.GetKind(), line, fault.GetSentence())
	}
}

// zoneWords and unitWords say what the contract's words for a file's format mean.
var (
	zoneWords = map[string]string{"": "as the file says", "LOCAL": "the nursery's clock", "STANDARD": "the nursery's winter time", "UTC": "UTC"}
	unitWords = map[string]string{"Cel": "°C", "[degF]": "°F"}
)

func inBrackets(text string) string {
	if text == "" {
		return ""
	}
	return "[" + text + "]"
}

func (a *app) climateList() *cobra.Command {
	var limit int
	var house string
	cmd := a.command(text{
		use: "list", short: "List the logger files that were read", long: "Lists the logger files that were read, newest first.",
		example: "  velamen diagnosis climate list --house h1",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.name("--house", house, "houses")
		if err != nil {
			return err
		}
		imports, err := gather(limit, func(size int32, token string) (*diagnosisv1.ListClimateImportsResponse, error) {
			return call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListClimateImports,
				&diagnosisv1.ListClimateImportsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, imports, func(s *sheet) {
			if s.none(len(imports.GetClimateImports()), "imports") {
				return
			}
			s.row("HOUSE", "LOGGER", "FROM", "UNTIL", "READINGS", "LEFT OUT", "FAULTS", "READ IN", "BY")
			for _, i := range imports.GetClimateImports() {
				place, _, _ := strings.Cut(shortName(i.GetName()), "/")
				s.row(place, i.GetLogger(), s.when(i.GetStartTime()), s.when(i.GetEndTime()), i.GetReadings(), i.GetLeftOut(),
					strings.Join(i.GetFaultCounts(), ", "), s.when(i.GetCreateTime()), shortName(i.GetImporter()))
			}
			s.more(imports.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&house, "house", "-", `the HOUSE, "-" for all`)
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) climateShow() *cobra.Command {
	request := &diagnosisv1.GetClimateRequest{}
	cmd := a.command(text{
		use: "show HOUSE", short: "Show the climate of a house day by day",
		long: `Shows for each day of a house the temperature, humidity, vapour pressure deficit,
hours with wet leaves and hours for which there are readings.`,
		example: "  velamen diagnosis climate show h1 --from 2026-03-01 --to 2026-03-14",
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		climate, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetClimate, request)
		if err != nil {
			return err
		}
		return a.show(ctx, climate, func(s *sheet) {
			if !s.none(len(climate.GetDays()), "readings") {
				s.row("DAY", "LOWEST", "MEAN", "HIGHEST", "HUMIDITY", "DEFICIT", "WET LEAVES", "READINGS FOR")
				for _, day := range climate.GetDays() {
					s.row(day.GetDate(), amount(day.GetTemperatureMin()), amount(day.GetTemperatureMean()), amount(day.GetTemperatureMax()),
						amount(day.GetHumidityMean()), amount(day.GetVapourPressureDeficit()), amount(day.GetLeafWetness()), amount(day.GetCovered()))
				}
				s.line("")
				s.line("Wet leaves by: %s.", climate.GetWetnessMethod())
			}
			s.notes(climate.GetNotes())
		})
	})
	daysFlags(cmd, &request.StartDate, &request.EndDate)
	return cmd
}

// daysFlags are the first and the last day of what is asked for.
func daysFlags(cmd *cobra.Command, from, to *string) {
	for _, flag := range []struct {
		name, usage string
		target      *string
	}{{"from", "first day, as in 2026-03-01", from}, {"to", "last day (default: today)", to}} {
		cmd.Flags().Var(&parsed{kind: "day", parse: func(typed string) error {
			day, err := parseDay("--"+flag.name, typed)
			*flag.target = day.GetValue()
			return err
		}}, flag.name, flag.usage)
	}
}

// notes writes what is missing or odd.
func (s *sheet) notes(notes []string) {
	for i, note := range notes {
		if i == 0 {
			s.line("")
		}
		s.line("Note: %s", printable(note))
	}
}
