package climate

import (
	"fmt"
	"time"
)

// changeWindow is how far from a change of the clock its effect on local times
// reaches, in seconds: no clock was ever changed by more than a day.
const changeWindow = daySeconds

// span is a time in which a zone's offset does not change.
type span struct{ from, until, offset int64 }

// Ends of a span that has none.
const (
	forever = 1 << 60
	ever    = -forever
)

// spanAt returns the span that holds a moment.
func spanAt(zone *time.Location, moment int64) span {
	at := time.Unix(moment, 0).In(zone)
	_, offset := at.Zone()
	s := span{from: ever, until: forever, offset: int64(offset)}
	from, until := at.ZoneBounds()
	if !from.IsZero() {
		s.from = from.Unix()
	}
	if !until.IsZero() {
		s.until = until.Unix()
	}
	return s
}

// winterOffset is the offset that a zone has in its winter: the smaller of this
// season's and those of the seasons beside it. Some countries' laws call the summer
// the normal time, so that the zone's own mark does not tell.
func winterOffset(zone *time.Location, moment int64) int64 {
	const year = 366 * daySeconds
	now := spanAt(zone, moment)
	offset := now.offset
	if now.until-moment < year {
		offset = min(offset, spanAt(zone, now.until).offset)
	}
	if moment-now.from < year {
		offset = min(offset, spanAt(zone, now.from-1).offset)
	}
	return offset
}

// change is a change of a zone's clock that lies within a file.
type change struct {
	at int64
	// before and after are the offsets.
	before, after int64
	// first and second count readings in the repeated hour that were taken for
	// its first and second pass; skipped those in the hour that does not exist.
	first, second, skipped int
	line                   int
}

// changesIn returns the changes between two moments.
func changesIn(zone *time.Location, from, until int64) []*change {
	var found []*change
	for s := spanAt(zone, from); s.until <= until; {
		next := spanAt(zone, s.until)
		if next.offset != s.offset {
			found = append(found, &change{at: s.until, before: s.offset, after: next.offset})
		}
		if next.until <= s.until {
			break
		}
		s = next
	}
	return found
}

// localClock turns the nursery's local times into moments, in the order of a file.
type localClock struct {
	changes []*change
	// near is the first change that a time is not well past; times mostly ascend.
	near int
	// last is the offset after all changes.
	last int64
	// descending says that the file runs from new to old, disordered that it does
	// neither.
	descending, disordered bool
	// interval is the usual time between readings.
	interval int64
	// previous is the local time of the reading before, and moment what it was.
	previous, moment int64
	begun            bool
}

func newLocalClock(zone *time.Location, least, most int64) *localClock {
	c := &localClock{changes: changesIn(zone, least-2*changeWindow, most+2*changeWindow)}
	c.last = spanAt(zone, least-2*changeWindow).offset
	if n := len(c.changes); n > 0 {
		c.last = c.changes[n-1].after
	}
	return c
}

// seek returns the offset of a local time, or the change that it is near.
func (c *localClock) seek(local int64) (offset int64, near *change) {
	for c.near > 0 && local <= c.changes[c.near-1].civil()+changeWindow {
		c.near--
	}
	for c.near < len(c.changes) && local > c.changes[c.near].civil()+changeWindow {
		c.near++
	}
	if c.near == len(c.changes) {
		return c.last, nil
	}
	next := c.changes[c.near]
	if local < next.civil()-changeWindow {
		return next.before, nil
	}
	return 0, next
}

// civil is what the clock shows when it is changed.
func (ch *change) civil() int64 { return ch.at + ch.before }

// resolve returns the moment of a local time; ok is false in an hour that a change
// skips.
func (c *localClock) resolve(local int64, line int) (moment int64, ok bool) {
	offset, near := c.seek(local)
	if near == nil {
		moment, ok = local-offset, true
	} else {
		moment, ok = c.resolveNear(near, local, line)
	}
	if ok {
		c.previous, c.moment, c.begun = local, moment, true
	}
	return moment, ok
}

func (c *localClock) resolveNear(ch *change, local int64, line int) (moment int64, ok bool) {
	early, late := local-ch.before, local-ch.after
	isEarly, isLate := early < ch.at, late >= ch.at
	switch {
	case isEarly && !isLate:
		return early, true
	case isLate && !isEarly:
		return late, true
	case !isEarly:
		ch.skipped++
		ch.mark(line)
		return 0, false
	}
	ch.mark(line)
	if c.secondPass(local, early, late) {
		ch.second++
		return late, true
	}
	ch.first++
	return early, true
}

func (ch *change) mark(line int) {
	if ch.line == 0 {
		ch.line = line
	}
}

// secondPass says which of the two moments of a repeated time is meant, by the
// reading before: in a file that ascends time does not go back, in one that
// descends it does not go on.
func (c *localClock) secondPass(local, early, late int64) bool {
	between := c.begun && early <= c.moment && c.moment <= late
	switch {
	case c.disordered:
		return false
	case c.begun && local == c.previous && c.interval < late-early:
		return c.moment == late // the same reading twice
	case c.descending:
		return !between
	default:
		return between
	}
}

// sentence says what a change of the clock did to a file; empty when nothing.
func (ch *change) sentence(c *localClock) string {
	from, until := ch.at+min(ch.before, ch.after), ch.at+max(ch.before, ch.after)
	hour := fmt.Sprintf("from %s to %s on %s", civilText(from, "15:04"), civilText(until, "15:04"), civilText(from, time.DateOnly))
	const winter = "the logger seems to stay on winter time; if it does, import the file again with zone STANDARD"
	switch {
	case ch.skipped > 0:
		return fmt.Sprintf("%d readings have times %s, which the nursery's clock skips, and were left out: %s", ch.skipped, hour, winter)
	case ch.first+ch.second == 0:
		return ""
	case c.disordered:
		return fmt.Sprintf("%d readings have times %s, which come twice on the nursery's clock; the file is not in order, so they were taken for the first pass",
			ch.first+ch.second, hour)
	case (ch.second == 0 || ch.first == 0) && c.interval > ch.before-ch.after:
		return ""
	case ch.second == 0 || ch.first == 0:
		return fmt.Sprintf("the times %s come twice on the nursery's clock, but only once in the file: %s", hour, winter)
	default:
		return fmt.Sprintf("%d readings have times %s, which come twice on the nursery's clock; their order in the file told the two passes apart",
			ch.first+ch.second, hour)
	}
}

func civilText(seconds int64, layout string) string {
	return time.Unix(seconds, 0).UTC().Format(layout)
}
