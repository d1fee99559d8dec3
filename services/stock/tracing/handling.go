package tracing

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// touch is an infected lot in a handling.
type touch struct {
	handling Handling
	infected string
	// position of the lot in the handling's order.
	position int
}

// shareHandlings finds who was handled after infected lots with the same tools, by
// the same worker or with the same crate.
func (t *trace) shareHandlings() {
	handlings := slices.DeleteFunc(slices.Clone(t.facts.Handlings), func(h Handling) bool {
		return h.End.Before(t.question.Start) || h.Start.After(t.question.End)
	})
	slices.SortFunc(handlings, func(a, b Handling) int {
		return cmp.Or(a.Start.Compare(b.Start), a.End.Compare(b.End), strings.Compare(a.ID, b.ID))
	})
	touches, followed := t.touches(handlings), t.followers()
	for _, shared := range []struct {
		kind Kind
		of   func(Handling) string
	}{
		{ToolSet, func(h Handling) string { return h.ToolSet }},
		{Worker, func(h Handling) string { return h.Worker }},
		{Crate, func(h Handling) string { return h.Crate }},
	} {
		if t.full[shared.kind] == 0 {
			continue
		}
		of := map[string]use{}
		for _, h := range handlings {
			through := shared.of(h)
			of[through] = use{kind: shared.kind, through: through, handlings: append(of[through].handlings, h)}
		}
		for _, before := range touches {
			through := shared.of(before.handling)
			u := of[through]
			u.touches = append(u.touches, before)
			of[through] = u
		}
		for through, u := range of {
			if through != "" {
				t.passOn(u, followed)
			}
		}
	}
}

// use is what was done with one set of tools or crate, or by one worker, in the
// order of time.
type use struct {
	kind      Kind
	through   string
	handlings []Handling
	touches   []touch
}

// touches returns every infected lot of every handling. A lot that plants of an
// infected one came from later was the infected one then.
func (t *trace) touches(handlings []Handling) []touch {
	into := map[string][]Line{}
	for _, line := range t.facts.Lines {
		if line.Lot != line.Ancestor && t.infected[line.Lot] {
			into[line.Ancestor] = append(into[line.Ancestor], line)
		}
	}
	var all []touch
	for _, h := range handlings {
		for position, lot := range h.Lots {
			if t.infected[lot] {
				all = append(all, touch{handling: h, infected: lot, position: position})
			}
			for _, line := range into[lot] {
				if !h.Start.After(line.Until) {
					all = append(all, touch{handling: h, infected: line.Lot, position: position})
				}
			}
		}
	}
	return all
}

// followers says which lots have plants of a lot that was handled at a time.
func (t *trace) followers() func(lot string, at time.Time) []string {
	lines := map[string][]Line{}
	for _, line := range t.facts.Lines {
		if line.Lot != line.Ancestor {
			lines[line.Ancestor] = append(lines[line.Ancestor], line)
		}
	}
	return func(lot string, at time.Time) []string {
		all := []string{lot}
		for _, line := range lines[lot] {
			if !at.After(line.Until) {
				all = append(all, line.Lot)
			}
		}
		return all
	}
}

// passOn adds a contact for each lot that was handled after an infected lot, through
// the last time that the thing was used on that one.
func (t *trace) passOn(u use, followed func(string, time.Time) []string) {
	for _, h := range u.handlings {
		for position, lot := range h.Lots {
			last := map[string]touch{}
			for _, before := range u.touches {
				if t.cameBefore(before, h, position, u.kind) {
					last[before.infected] = before // touches are in the order of time
				}
			}
			for infected, before := range last {
				c := Contact{Kind: u.kind, Infected: infected, Through: u.through, Start: h.Start, End: h.End}
				if u.kind == ToolSet {
					c.Disinfected = disinfectedBy(u.handlings, before.handling, h)
				}
				for _, exposed := range followed(lot, h.Start) {
					t.add(exposed, c)
				}
			}
		}
	}
}

// cameBefore reports whether an infected lot was handled before the lot at a
// position of a handling.
func (t *trace) cameBefore(before touch, h Handling, position int, kind Kind) bool {
	if before.handling.ID == h.ID {
		return before.position < position
	}
	if !follows(h, before.handling) {
		return false
	}
	if kind != Worker {
		return true
	}
	return h.Start.Before(endOfDay(before.handling.End, t.question.Zone))
}

// follows reports whether work could have come after other work.
func follows(h, before Handling) bool {
	return h.End.After(before.Start) || !h.Start.Before(before.Start)
}

func endOfDay(at time.Time, zone *time.Location) time.Time {
	year, month, day := at.In(zone).Date()
	return time.Date(year, month, day+1, 0, 0, 0, 0, zone)
}

// disinfectedBy reports whether tools were disinfected from one of their handlings to
// another: in either, or in one in between.
func disinfectedBy(handlings []Handling, from, to Handling) bool {
	return slices.ContainsFunc(handlings, func(h Handling) bool {
		if !h.Disinfected {
			return false
		}
		return h.ID == from.ID || h.ID == to.ID || (!h.Start.Before(from.End) && !h.End.After(to.Start))
	})
}
