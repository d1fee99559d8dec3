package cli

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// nothing is typed to a flag to empty a list that it adds to.
const nothing = "none"

// entered is what a repeated flag adds to a list.
type entered[T any] struct {
	entries []T
	// emptied is true when the list was emptied first.
	emptied bool
}

// after returns a list with what was entered behind it.
func (e entered[T]) after(stand []T) []T {
	if e.emptied {
		return e.entries
	}
	return append(slices.Clone(stand), e.entries...)
}

// listFlag is a flag that may be repeated, each time with text that stands for some
// entries of a list, or with "none" to empty the list.
func listFlag[T any](flags *pflag.FlagSet, list *entered[T], parse func(typed string) ([]T, error), kind, name, usage string) {
	flags.Var(&parsed{kind: kind, parse: func(typed string) error {
		if typed == nothing {
			*list = entered[T]{emptied: true}
			return nil
		}
		entries, err := parse(typed)
		list.entries = append(list.entries, entries...)
		return err
	}}, name, usage+` (may be repeated; "none" for none)`)
}

// one makes of a parser of one entry a parser of a list.
func one[T any](parse func(typed string) (T, error)) func(string) ([]T, error) {
	return func(typed string) ([]T, error) {
		entry, err := parse(typed)
		if err != nil {
			return nil, err
		}
		return []T{entry}, nil
	}
}

// given is the mask of the fields whose flags were given; empty when none was.
func given(flags *pflag.FlagSet, fields map[string]string) *fieldmaskpb.FieldMask {
	mask := &fieldmaskpb.FieldMask{}
	flags.Visit(func(flag *pflag.Flag) {
		if field := fields[flag.Name]; field != "" {
			mask.Paths = append(mask.Paths, field)
		}
	})
	return mask
}

// workPatternFields are the fields of a work pattern by flag.
var workPatternFields = map[string]string{
	"shift": "shifts", "off": "absences", "applies": "applies", "max-protected": "max_protected_minutes",
}

func (a *app) workHours() *cobra.Command {
	pattern := &schedulev1.WorkPattern{}
	var shifts entered[*schedulev1.Shift]
	var off entered[*schedulev1.Absence]
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "hours [PERSON]", short: "Show or set when people work",
		long: `Shows when people work; with flags it sets when one person does. Managers and owners
only. --shift takes the place of all shifts of the week, a break being the time between
two shifts. --off adds days off to those that are there; --off none first removes them.
Nobody is given work who has no shifts, and no chemical who may not apply it.
--max-protected limits the time in protective equipment and in heat together; what heat
is, velamen schedule settings --heat-temperature says.`,
		example: `  velamen schedule hours
  velamen schedule hours wandile --shift "mon-fri 07:00-12:00" --shift "mon-fri 13:00-16:00 overtime 18:00" \
    --applies --max-protected 240
  velamen schedule hours wandile --off 2026-12-24..2026-12-31=leave`,
	}, func(ctx context.Context, args []string) (err error) {
		mask := given(cmd.Flags(), workPatternFields)
		if len(args) == 0 && len(mask.GetPaths()) == 0 {
			return a.listWorkHours(ctx)
		}
		if len(args) == 0 {
			return usagef("PERSON is missing: whose hours are to be set")
		}
		if pattern.Name, err = a.own("PERSON", args[0], "people", "workPatterns"); err != nil {
			return err
		}
		stands, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.GetWorkPattern,
			&schedulev1.GetWorkPatternRequest{Name: pattern.GetName()})
		if err != nil {
			return err
		}
		if len(mask.GetPaths()) == 0 {
			return a.show(ctx, stands, func(s *sheet) { s.workPattern(stands) })
		}
		pattern.Shifts, pattern.Absences = shifts.entries, off.after(stands.GetAbsences())
		pattern.Etag = cmp.Or(pattern.GetEtag(), stands.GetEtag())
		request := &schedulev1.UpdateWorkPatternRequest{WorkPattern: pattern, UpdateMask: mask}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		set, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.UpdateWorkPattern, request)
		if err != nil {
			return err
		}
		return a.show(ctx, set, func(s *sheet) { s.workPattern(set) })
	})
	flags := cmd.Flags()
	listFlag(flags, &shifts, parseShift, "hours", "shift", `hours of the week, as in "mon-fri 07:00-12:00" or "mon-fri 13:00-16:00 overtime 18:00"`)
	listFlag(flags, &off, one(parseAbsence), "days", "off", "days off, as in 2026-12-24 or 2026-12-24..2026-12-31=leave")
	flags.BoolVar(&pattern.Applies, "applies", false, "the person may be given chemical to apply; --applies=false ends that")
	flags.Int32Var(&pattern.MaxProtectedMinutes, "max-protected", 0, "the most minutes a day in protective equipment or heat, both together, 0 for no limit")
	etagFlag(cmd, &pattern.Etag)
	return cmd
}

// own names what belongs to a house or a person and has their id. People type the
// house or the person.
func (a *app) own(what, typed, owners, collection string) (string, error) {
	owner, err := a.name(what, typed, owners)
	if err != nil {
		return "", err
	}
	return strings.Replace(owner, "/"+owners+"/", "/"+collection+"/", 1), nil
}

func (a *app) listWorkHours(ctx context.Context) error {
	parent, err := a.parent()
	if err != nil {
		return err
	}
	patterns, err := gather(0, func(size int32, token string) (*schedulev1.ListWorkPatternsResponse, error) {
		return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListWorkPatterns,
			&schedulev1.ListWorkPatternsRequest{Parent: parent, PageSize: size, PageToken: token})
	})
	if err != nil {
		return err
	}
	return a.show(ctx, patterns, func(s *sheet) {
		if s.none(len(patterns.GetWorkPatterns()), "work patterns") {
			return
		}
		s.row("PERSON", "SHIFTS", "OFF", "APPLIES", "MOST IN PROTECTION OR HEAT")
		for _, pattern := range patterns.GetWorkPatterns() {
			s.row(shortName(pattern.GetName()), inOneLine(showShifts(pattern.GetShifts())), inOneLine(showAbsences(pattern.GetAbsences())), yes(pattern.GetApplies()),
				minutes(pattern.GetMaxProtectedMinutes()))
		}
	})
}

// inOneLine parts with commas what stands in lines.
func inOneLine(lines string) string { return strings.ReplaceAll(lines, "\n", ", ") }

func (s *sheet) workPattern(pattern *schedulev1.WorkPattern) {
	s.fact("Person", shortName(pattern.GetName()))
	s.fact("Shifts", cmp.Or(showShifts(pattern.GetShifts()), "none: no work is planned"))
	s.fact("Off", showAbsences(pattern.GetAbsences()))
	s.fact("May be given chemical", yes(pattern.GetApplies()))
	s.fact("Most in protection or heat a day", minutes(pattern.GetMaxProtectedMinutes()))
	s.fact("ETag", pattern.GetEtag())
}

func showAbsences(absences []*schedulev1.Absence) string {
	lines := make([]string, len(absences))
	for i, absence := range absences {
		lines[i] = absence.GetStartDate().GetValue()
		if last := absence.GetEndDate().GetValue(); last != lines[i] {
			lines[i] += ".." + last
		}
		if absence.GetReason() != "" {
			lines[i] += " (" + absence.GetReason() + ")"
		}
	}
	return strings.Join(lines, "\n")
}

// houseCalendarFields are the fields of a house calendar by flag.
var houseCalendarFields = map[string]string{
	"work": "working_hours", "spray": "spraying_hours", "engage": "engagements", "by-bench": "closes_by_bench",
}

func (a *app) houseHours() *cobra.Command {
	calendar := &schedulev1.HouseCalendar{}
	var work, spray entered[*schedulev1.WeeklyHours]
	var engaged entered[string]
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "house-hours [HOUSE]", short: "Show or set when houses are open for work",
		long: `Shows when houses are open for work and what happens in them; with flags it sets the
calendar of one house. Managers and owners only. --work and --spray take the place of
the hours that are there. --engage adds a time for which the house must be open and
free of spraying to those that are there; --engage none first removes them.`,
		example: `  velamen schedule house-hours
  velamen schedule house-hours h1 --work "mon-fri 07:00-16:00" --spray "mon-fri 07:00-10:00" --engage "irrigation mon,thu 09:00-10:00"
  velamen schedule house-hours h1 --engage "delivery 2026-03-05 08:00..2026-03-05 12:00=lorry of the auction" --by-bench`,
	}, func(ctx context.Context, args []string) (err error) {
		mask := given(cmd.Flags(), houseCalendarFields)
		if len(args) == 0 && len(mask.GetPaths()) == 0 {
			return a.listHouseHours(ctx)
		}
		if len(args) == 0 {
			return usagef("HOUSE is missing: whose calendar is to be set")
		}
		if calendar.Name, err = a.own("HOUSE", args[0], "houses", "houseCalendars"); err != nil {
			return err
		}
		stands, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.GetHouseCalendar,
			&schedulev1.GetHouseCalendarRequest{Name: calendar.GetName()})
		if err != nil {
			return err
		}
		if len(mask.GetPaths()) == 0 {
			return a.show(ctx, stands, func(s *sheet) { s.houseCalendar(stands) })
		}
		added, err := a.engagements(ctx, engaged)
		if err != nil {
			return err
		}
		calendar.WorkingHours, calendar.SprayingHours = work.entries, spray.entries
		calendar.Engagements = added.after(stands.GetEngagements())
		calendar.Etag = cmp.Or(calendar.GetEtag(), stands.GetEtag())
		request := &schedulev1.UpdateHouseCalendarRequest{HouseCalendar: calendar, UpdateMask: mask}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		set, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.UpdateHouseCalendar, request)
		if err != nil {
			return err
		}
		return a.show(ctx, set, func(s *sheet) { s.houseCalendar(set) })
	})
	flags := cmd.Flags()
	listFlag(flags, &work, parseWeekly, "hours", "work", `when people work in it, as in "mon-fri 07:00-16:00"; none is all hours`)
	listFlag(flags, &spray, parseWeekly, "hours", "spray", `when it may be sprayed, as in "mon-fri 07:00-10:00"; none is all working hours`)
	listFlag(flags, &engaged, one(func(typed string) (string, error) { return typed, nil }), "engagement", "engage",
		`what happens in it and when, as in "irrigation mon,thu 09:00-10:00" or "visit 2026-03-05 08:00..2026-03-05 12:00=buyers": `+words[schedulev1.EngagementKind]())
	flags.BoolVar(&calendar.ClosesByBench, "by-bench", false, "a bench can be closed apart after a drench or a bath; --by-bench=false ends that")
	etagFlag(cmd, &calendar.Etag)
	return cmd
}

// engagements reads what was typed about a house; times are on the nursery's clock.
func (a *app) engagements(ctx context.Context, typed entered[string]) (entered[*schedulev1.Engagement], error) {
	read := entered[*schedulev1.Engagement]{emptied: typed.emptied}
	for _, text := range typed.entries {
		engagements, err := a.engagement(ctx, text)
		if err != nil {
			return read, err
		}
		read.entries = append(read.entries, engagements...)
	}
	return read, nil
}

// engagement reads "KIND DAYS HOURS" or "KIND START..END", with "=NOTE" behind it.
func (a *app) engagement(ctx context.Context, typed string) ([]*schedulev1.Engagement, error) {
	what, note, _ := strings.Cut(typed, "=")
	kindTyped, times, found := strings.Cut(strings.TrimSpace(what), " ")
	if !found {
		return nil, usagef("--engage %q: it must be as in \"irrigation mon,thu 09:00-10:00\"", typed)
	}
	kind, err := enumOf[schedulev1.EngagementKind](kindTyped)
	if err != nil {
		return nil, usagef("--engage %q: %w", typed, err)
	}
	note = strings.TrimSpace(note)
	if first, last, once := strings.Cut(times, ".."); once {
		engagement := &schedulev1.Engagement{Kind: kind, Note: note}
		if engagement.StartTime, err = a.moment(ctx, "--engage", strings.TrimSpace(first)); err != nil {
			return nil, err
		}
		engagement.EndTime, err = a.moment(ctx, "--engage", strings.TrimSpace(last))
		return []*schedulev1.Engagement{engagement}, err
	}
	weekly, err := parseWeekly(times)
	if err != nil {
		return nil, usagef("--engage %q: %w", typed, err)
	}
	engagements := make([]*schedulev1.Engagement, len(weekly))
	for i, hours := range weekly {
		engagements[i] = &schedulev1.Engagement{Kind: kind, Weekly: hours, Note: note}
	}
	return engagements, nil
}

func (a *app) listHouseHours(ctx context.Context) error {
	parent, err := a.parent()
	if err != nil {
		return err
	}
	calendars, err := gather(0, func(size int32, token string) (*schedulev1.ListHouseCalendarsResponse, error) {
		return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListHouseCalendars,
			&schedulev1.ListHouseCalendarsRequest{Parent: parent, PageSize: size, PageToken: token})
	})
	if err != nil {
		return err
	}
	return a.show(ctx, calendars, func(s *sheet) {
		if s.none(len(calendars.GetHouseCalendars()), "house calendars") {
			return
		}
		s.row("HOUSE", "WORK", "SPRAYING", "ENGAGEMENTS", "CLOSES BY BENCH")
		for _, calendar := range calendars.GetHouseCalendars() {
			s.row(shortName(calendar.GetName()), cmp.Or(inOneLine(showHours(calendar.GetWorkingHours())), "all hours"),
				cmp.Or(inOneLine(showHours(calendar.GetSprayingHours())), "all working hours"), inOneLine(s.engagements(calendar.GetEngagements())),
				yes(calendar.GetClosesByBench()))
		}
	})
}

func (s *sheet) houseCalendar(calendar *schedulev1.HouseCalendar) {
	s.fact("House", shortName(calendar.GetName()))
	s.fact("Work", cmp.Or(showHours(calendar.GetWorkingHours()), "all hours"))
	s.fact("Spraying", cmp.Or(showHours(calendar.GetSprayingHours()), "all working hours"))
	s.fact("Engagements", s.engagements(calendar.GetEngagements()))
	s.fact("Closes by bench", yes(calendar.GetClosesByBench()))
	s.fact("ETag", calendar.GetEtag())
}

// engagements writes a line for each thing that happens, the days of a week together.
func (s *sheet) engagements(engagements []*schedulev1.Engagement) string {
	var lines []string
	weekly := map[string][]*schedulev1.WeeklyHours{}
	for _, engagement := range engagements {
		what := word(engagement.GetKind())
		if engagement.GetNote() != "" {
			what += " (" + engagement.GetNote() + ")"
		}
		if engagement.GetWeekly() == nil {
			lines = append(lines, fmt.Sprintf("%s %s to %s", what, s.when(engagement.GetStartTime()), s.when(engagement.GetEndTime())))
			continue
		}
		if weekly[what] == nil {
			lines = append(lines, what)
		}
		weekly[what] = append(weekly[what], engagement.GetWeekly())
	}
	for i, what := range lines {
		if hours := weekly[what]; hours != nil {
			lines[i] = what + " " + inOneLine(showHours(hours))
		}
	}
	return strings.Join(lines, "\n")
}
