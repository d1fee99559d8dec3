package records

import (
	"fmt"
	"strings"
	"time"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/services/identity"
	"velamen/services/records/duty"
)

// States of a fate, the one that keeps most last.
const (
	mayGo     = recordsv1.RetentionState_RETENTION_STATE_MAY_GO
	timeRuns  = recordsv1.RetentionState_RETENTION_STATE_TIME_RUNS
	isHeld    = recordsv1.RetentionState_RETENTION_STATE_HELD
	isUnknown = recordsv1.RetentionState_RETENTION_STATE_NOT_KNOWN
)

// fate is whether an entry may be purged.
type fate struct {
	// sequence is the entry that decided: another one where a correction keeps it.
	sequence int64
	state    recordsv1.RetentionState
	// until is when the longest time to keep it ends; zero where none is known.
	until time.Time
	// row is the row of the law that sets it.
	row string
	// holds are the names of those that cover it.
	holds []string
	// why is a sentence.
	why string
}

// worse returns the fate that keeps longer.
func worse(a, b fate) fate {
	if b.state > a.state || b.state == a.state && b.until.After(a.until) {
		return b
	}
	return a
}

// together are an entry and its corrections: they go together or not at all.
type together struct {
	first, last int64
	fate        fate
}

// keeper decides which entries of a nursery must be kept.
type keeper struct {
	nursery       identity.Nursery
	settings      dutySettings
	jurisdictions []string
	holds         []duty.Hold
	now           time.Time
	// corrections has, by number, the entries that were corrected or that correct.
	corrections map[int64]*together
}

// join puts an entry to those that go together with it.
func (k *keeper) join(e entry) {
	alone := k.judge(e)
	if e.Correction != nil {
		if group := k.corrections[e.Correction.Corrects]; group != nil {
			group.last, group.fate = e.Sequence, worse(group.fate, alone)
			k.corrections[e.Sequence] = group
			return
		}
	}
	k.corrections[e.Sequence] = &together{first: e.Sequence, last: e.Sequence, fate: alone}
}

// fateOf is that of an entry with its corrections.
func (k *keeper) fateOf(e entry) fate {
	group := k.corrections[e.Sequence]
	if group == nil {
		return k.judge(e)
	}
	decided := group.fate
	if decided.sequence != e.Sequence {
		decided.why = fmt.Sprintf("Entry %d goes only together with entry %d, by way of corrections. ", e.Sequence, decided.sequence) + decided.why
	}
	return decided
}

// judge is the fate of an entry alone, under all laws that its nursery ever was under.
func (k *keeper) judge(e entry) fate {
	decided := fate{sequence: e.Sequence, state: mayGo}
	event := k.settings.eventOf(k.nursery.Zone, kept{entry: e})
	for i, code := range k.jurisdictions {
		under := k.under(e, code, event)
		if i == 0 {
			decided = under
			continue
		}
		decided = worse(decided, under)
	}
	return decided
}

// under is the fate of an entry under one law.
func (k *keeper) under(e entry, code string, event duty.Event) fate {
	f := fate{sequence: e.Sequence, state: isUnknown}
	record, err := duty.ApplicationRecord(fmt.Sprintf("entry %d", e.Sequence), code, e.House, event)
	if err != nil {
		f.why = fmt.Sprintf("Keep entry %d: how long cannot be worked out, because %s.", e.Sequence, err)
		return f
	}
	for _, h := range k.holds {
		if h.Covers(record) {
			f.holds = append(f.holds, h.Name)
		}
	}
	var allowed bool
	allowed, f.why = duty.MayPurge(record, k.now, k.holds)
	retention, err := duty.KeepUntil(record)
	known := err == nil && retention.Known()
	if longest, found := retention.Longest(); found {
		f.row = longest.ID
		if known {
			f.until = longest.Limit.Moment
		}
	}
	switch {
	case allowed:
		f.state = mayGo
	case !known:
		if len(f.holds) > 0 {
			f.why += " How long the law keeps it is not known: " + strings.Join(retention.NotKnown, " ")
		}
	case len(f.holds) > 0:
		f.state = isHeld
	default:
		f.state = timeRuns
	}
	return f
}

// purgeableThrough lowers the end of a run of entries that may go until no correction
// lies beyond it; 0 where nothing is left.
func (k *keeper) purgeableThrough(purged, last int64) int64 {
	for {
		lowered := last
		for sequence, group := range k.corrections {
			if sequence <= last && group.last > last {
				lowered = min(lowered, group.first-1)
			}
		}
		if lowered == last {
			break
		}
		last = lowered
	}
	if last <= purged {
		return 0
	}
	return last
}
