package diagnosis

import (
	"context"
	"fmt"
	"slices"
	"time"

	"velamen/internal/postgres"
	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
)

// maxNotes is how many sentences are said about the days of one house; how many
// more there are is said in another. Design value.
const maxNotes = 30

// saidAgain are the faults of files that matter to who reads the climate of some
// days. Gaps are found anew, since a later file may have filled them; single values
// that were left out leave the rest as it is.
var saidAgain = []string{climate.ClockChange, climate.Stuck, climate.UnitSuspect, climate.OutOfRange, climate.Spike}

// notesOn says what is missing or odd in the climate of a house on the days asked
// for.
func notesOn(ctx context.Context, r postgres.Reader, nursery, house string, asked period, loggers []loggerSeries) ([]string, error) {
	if len(loggers) == 0 {
		return []string{fmt.Sprintf("House %s has no readings from %s to %s.", house, asked.first, asked.last)}, nil
	}
	var notes []string
	if _, interval := wettest(loggers); interval > 0 {
		notes = append(notes, wettestNote(house, loggers, interval))
	}
	for _, l := range loggers {
		notes = append(notes, gapNotes(house, l, asked)...)
	}
	imports, err := importsWithin(ctx, r, nursery, house, asked.from, asked.until)
	if err != nil {
		return nil, err
	}
	for _, i := range imports {
		for _, f := range i.report.GetFaults() {
			within := f.GetStartTime() != nil && !f.GetStartTime().AsTime().After(asked.until) && !f.GetEndTime().AsTime().Before(asked.from)
			if within && slices.Contains(saidAgain, f.GetKind()) {
				notes = append(notes, fmt.Sprintf("House %s, logger %s, %s: %s.", house, i.logger, f.GetKind(), f.GetSentence()))
			}
		}
	}
	if more := len(notes) - maxNotes; more > 0 {
		notes = append(notes[:maxNotes], fmt.Sprintf("House %s: %d more faults; ask for fewer days to see them.", house, more))
	}
	return notes, nil
}

// gapNotes says when a logger recorded nothing, the ends of the days included.
func gapNotes(house string, l loggerSeries, asked period) []string {
	interval, last := infection.UsualInterval(l.readings), len(l.readings)-1
	ends := interval * endTenths / 10
	var notes []string
	say := func(from, until int64) {
		notes = append(notes, fmt.Sprintf("House %s, logger %s: no readings from %s to %s.", house, l.logger,
			shownMoment(from, asked.zone), shownMoment(until, asked.zone)))
	}
	if first := l.readings[0].Time; first-asked.from.Unix() > ends {
		say(asked.from.Unix(), first)
	}
	for i := 1; i <= last; i++ {
		if climate.Interrupted(l.readings, i, interval) {
			say(l.readings[i-1].Time, l.readings[i].Time)
		}
	}
	if end := l.readings[last].Time; asked.known.Unix()-end > ends {
		say(end, asked.known.Unix())
	}
	return notes
}

// endTenths is how many tenths of the usual interval may lie between the ends of the
// days asked for and the readings. Design value.
const endTenths = 25

func shownMoment(seconds int64, zone *time.Location) string {
	return time.Unix(seconds, 0).In(zone).Format("2006-01-02 15:04")
}
