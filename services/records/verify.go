package records

import (
	"encoding/hex"
	"fmt"
	"math"
	"time"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
)

// toTheEnd is the last entry of a range that goes on to the end of the ledger.
const toTheEnd = math.MaxInt64

// extent is a run of entries of a ledger, both ends included.
type extent struct {
	from, to int64
}

// wholeLedger is all there is.
func wholeLedger() extent { return extent{from: 1, to: toTheEnd} }

// empty reports whether no entry is in the extent.
func (x extent) empty() bool { return x.from > x.to }

// span is a run of whole days in a nursery's zone; a nil end is open.
type span struct {
	begin, end *time.Time
}

// readNumbers reads a range that a request gives by numbers of entries.
func readNumbers(request *recordsv1.VerifyLedgerRequest) (extent, error) {
	x := wholeLedger()
	if request.GetFromSequence() > 0 {
		x.from = request.GetFromSequence()
	}
	if request.GetToSequence() > 0 {
		x.to = request.GetToSequence()
	}
	if x.empty() {
		return extent{}, fault.Field("to_sequence", "entry %d is before the first entry of the range, %d", x.to, x.from).
			With("from_sequence", fmt.Sprint(x.from)).With("to_sequence", fmt.Sprint(x.to))
	}
	return x, nil
}

// byDays reports whether a request gives its range by days, and refuses one that
// gives it by numbers too.
func byDays(request *recordsv1.VerifyLedgerRequest) (bool, error) {
	days := request.GetFromDate() != nil || request.GetToDate() != nil
	numbers := request.GetFromSequence() > 0 || request.GetToSequence() > 0
	if !days || !numbers {
		return days, nil
	}
	field := "to_sequence"
	if request.GetFromSequence() > 0 {
		field = "from_sequence"
	}
	return false, fault.Field(field, "give the range by numbers of entries or by days, not by both")
}

// readSpan reads the days of a request.
func readSpan(from, to *typev1.Date, zone *time.Location) (span, error) {
	var s span
	begin, _, err := readDay("from_date", from, zone)
	if err != nil {
		return span{}, err
	}
	_, end, err := readDay("to_date", to, zone)
	if err != nil {
		return span{}, err
	}
	s.begin, s.end = begin, end
	if begin != nil && end != nil && !begin.Before(*end) {
		return span{}, fault.Field("to_date", "%s is before the first day, %s", to.GetValue(), from.GetValue()).
			With("from_date", from.GetValue()).With("to_date", to.GetValue())
	}
	return s, nil
}

// readDay reads one optional day.
func readDay(field string, date *typev1.Date, zone *time.Location) (begin, end *time.Time, err error) {
	if date == nil {
		return nil, nil, nil
	}
	first, next, err := clock.Day(date.GetValue(), zone)
	if err != nil {
		return nil, nil, fault.Field(field, "%s", err).With(field, date.GetValue())
	}
	return &first, &next, nil
}

// refuseBeyond refuses a range that names entries past the end of the ledger: they
// would look as if they were missing.
func (x extent) refuseBeyond(ledger head) error {
	if x.from > 1 && x.from > ledger.sequence {
		return fault.Field("from_sequence", "the ledger ends at entry %d", ledger.sequence).With("last_entry", fmt.Sprint(ledger.sequence))
	}
	if x.to != toTheEnd && x.to > ledger.sequence {
		return fault.Field("to_sequence", "the ledger ends at entry %d", ledger.sequence).With("last_entry", fmt.Sprint(ledger.sequence))
	}
	return nil
}

// refusePurged refuses a range of which nothing is there any more.
func (x extent) refusePurged(purged int64) error {
	if x.to > purged {
		return nil
	}
	return fault.Field("to_sequence", "the entries up to %d were purged", purged).With("purged_through", fmt.Sprint(purged))
}

// verdict is what a verification found.
type verdict struct {
	nursery string
	// asked is the extent that was asked for, its end never past the ledger's.
	asked  extent
	before head
	last   head
	// marks counts the closes whose hash was found, and signed is the last entry that
	// a close has signed, whether it was asked for or not.
	marks  int64
	signed int64
	trusts []string
	entry  *broken
	close  *brokenClose
	// purged is where the ledger begins: the last entry that was purged, with its hash.
	purged head
	// older counts the closes that signed an entry which was purged since.
	older   int64
	purge   *brokenPurge
	keyName string
}

// contract returns the verdict as the contract carries it. A broken entry is named
// before a broken close: it is what the closes are for. Where a tombstone is broken,
// nothing else was checked.
func (v verdict) contract() *recordsv1.VerifyLedgerResponse {
	response := &recordsv1.VerifyLedgerResponse{
		Entries: v.last.sequence - v.before.sequence, Intact: v.entry == nil && v.close == nil,
		Trusts: v.trusts, Closes: v.marks, KeyId: v.keyName, PurgedThrough: v.purged.sequence, ClosesBeforePurge: v.older,
	}
	if v.purge != nil {
		response.Intact, response.BrokenPurge, response.Fault = false, purgeName(v.nursery, v.purge.number), v.purge.fault
		return response
	}
	if !v.asked.empty() {
		response.FirstEntry, response.LastEntry = v.asked.from, v.asked.to
	}
	if v.last.sequence > 0 {
		response.Head = hex.EncodeToString(v.last.hash)
	}
	switch {
	case v.entry != nil:
		response.BrokenEntry, response.Fault = entryName(v.nursery, v.entry.sequence), v.entry.fault
		if v.entry.month != "" {
			response.BrokenClose = closeName(v.nursery, v.entry.month)
		}
	case v.close != nil:
		response.BrokenClose, response.Fault = closeName(v.nursery, v.close.month), v.close.fault
	}
	return response
}

// trustsBefore says what a range that does not begin with the first entry believes.
func trustsBefore(before head, signed bool) string {
	if signed {
		return fmt.Sprintf("The range begins from the stored hash of entry %d, which a signed close has too. What stands in the entries up to it was not read.",
			before.sequence)
	}
	return fmt.Sprintf("The range begins from the stored hash of entry %d, which is believed. The entries up to it were not checked; verify the whole ledger to check them.",
		before.sequence)
}

// trustsPurge says what a ledger that was purged begins from.
func trustsPurge(purged head) string {
	return fmt.Sprintf("The entries up to %d were purged. The ledger begins from the hash of the last of them, as the signed tombstone has it.", purged.sequence)
}

// unsigned says which of the entries checked no close has signed yet, and is empty
// when a close has signed all of them: a chain alone does not show that it was sealed
// anew to its end.
func unsigned(from, to, signed int64) string {
	from = max(from, signed+1)
	if from > to {
		return ""
	}
	return fmt.Sprintf("No close has signed the entries from %d to %d. Someone who rules the database could have replaced all of them together.", from, to)
}
