package treatment

import (
	"fmt"
	"math"
	"time"
)

// window is how long after one moment another may be.
type window struct{ Min, Max time.Duration }

// String writes a window in whole hours.
func (w window) String() string {
	if w.Min == w.Max {
		return inHours(w.Min) + " h"
	}
	return inHours(w.Min) + " to " + inHours(w.Max) + " h"
}

func inHours(d time.Duration) string { return fmt.Sprintf("%d", int64(d/time.Hour)) }

// unbounded stands for no limit. Two of them added do not overflow.
const unbounded = time.Duration(math.MaxInt64 / 4)

// timetable holds the moments of a course and, of every two, how long the second
// may at most be after the first, given all windows said so far: a simple
// temporal network, kept tight (Dechter, Meiri and Pearl, Temporal constraint
// networks, Artificial Intelligence 49, 1991; from memory).
type timetable struct{ most [][]time.Duration }

// newTimetable returns the timetable of so many steps, with nothing said yet.
func newTimetable(steps int) *timetable {
	t := &timetable{most: make([][]time.Duration, 2*steps+1)}
	for a := range t.most {
		t.most[a] = make([]time.Duration, len(t.most))
		for b := range t.most[a] {
			if a != b {
				t.most[a][b] = unbounded
			}
		}
	}
	return t
}

// round is when the round begins, begin when a step is first done, and done when
// it is done for good.
func (t *timetable) round() int      { return 0 }
func (t *timetable) begin(i int) int { return 2*i + 1 }
func (t *timetable) done(i int) int  { return 2*i + 2 }

// within says that one moment lies in a window after another. It returns the
// window that what was said before leaves. Where that does not meet the window
// asked for, nothing is changed and possible is false.
func (t *timetable) within(from, to int, asked window) (left window, possible bool) {
	left = window{-t.most[to][from], t.most[from][to]}
	if asked.Min > left.Max || asked.Max < left.Min {
		return left, false
	}
	t.limit(from, to, asked.Max)
	t.limit(to, from, -asked.Min)
	return left, true
}

// limit says that one moment is at most so long after another, and tightens what
// follows from it.
func (t *timetable) limit(from, to int, most time.Duration) {
	if t.most[from][to] <= most {
		return
	}
	for a := range t.most {
		if t.most[a][from] >= unbounded {
			continue
		}
		for b := range t.most {
			if t.most[to][b] < unbounded {
				t.most[a][b] = min(t.most[a][b], t.most[a][from]+most+t.most[to][b])
			}
		}
	}
}
