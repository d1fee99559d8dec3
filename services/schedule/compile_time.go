package schedule

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// spans returns weekly hours as minutes of the plan, from 0 until a minute, ascending
// and apart. An hour that begins or ends within a minute is shortened to whole ones.
func (c *compiled) spans(hours []Hours, until model.Minute) []model.Span {
	return c.within(hoursIn(hours, c.zone(), c.at(0), c.at(until)), until)
}

// within returns intervals as minutes of the plan.
func (c *compiled) within(intervals []interval, until model.Minute) []model.Span {
	var spans []model.Span
	for _, i := range intervals {
		span := model.Span{From: max(c.minuteUp(i.Start), 0), To: min(c.minute(i.End), until)}
		if span.From < span.To {
			spans = append(spans, span)
		}
	}
	return merged(spans)
}

// outward returns an interval in which something is closed: it is never shortened.
func (c *compiled) outward(i interval, until model.Minute) (model.Span, bool) {
	span := model.Span{From: max(c.minute(i.Start), 0), To: min(c.minuteUp(i.End), until)}
	return span, span.From < span.To
}

// merged sorts spans and joins those that touch.
func merged(spans []model.Span) []model.Span {
	slices.SortFunc(spans, func(a, b model.Span) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To)) })
	var joined []model.Span
	for _, span := range spans {
		if n := len(joined); n > 0 && span.From <= joined[n-1].To {
			joined[n-1].To = max(joined[n-1].To, span.To)
			continue
		}
		joined = append(joined, span)
	}
	return joined
}

// both returns the minutes that are in spans of two lists.
func both(a, b []model.Span) []model.Span {
	var shared []model.Span
	for i, k := 0, 0; i < len(a) && k < len(b); {
		span := model.Span{From: max(a[i].From, b[k].From), To: min(a[i].To, b[k].To)}
		if span.From < span.To {
			shared = append(shared, span)
		}
		if a[i].To < b[k].To {
			i++
		} else {
			k++
		}
	}
	return shared
}

// cut returns what is left of a span without another.
func cut(span, off model.Span) []model.Span {
	if off.To <= span.From || span.To <= off.From {
		return []model.Span{span}
	}
	var left []model.Span
	if span.From < off.From {
		left = append(left, model.Span{From: span.From, To: off.From})
	}
	if off.To < span.To {
		left = append(left, model.Span{From: off.To, To: span.To})
	}
	return left
}

// without cuts a span out of a list.
func without(spans []model.Span, off model.Span) []model.Span {
	var left []model.Span
	for _, span := range spans {
		left = append(left, cut(span, off)...)
	}
	return left
}
