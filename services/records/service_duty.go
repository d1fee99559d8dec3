package records

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/records/duty"
)

// notTracked is said beside the duties of a month.
const notTracked = "Not tracked here: what is due only when somebody asks, and the records of training, respirators, exposure, " +
	"lots and passports."

// GetDutySettings returns what the deadlines ask about the nursery itself.
func (s *Service) GetDutySettings(ctx context.Context, request *recordsv1.GetDutySettingsRequest) (*recordsv1.DutySettings, error) {
	nursery, err := parseDutySettings("name", request.GetName())
	if err != nil {
		return nil, err
	}
	settings, err := readDutySettings(ctx, s.db, nursery)
	if err != nil {
		return nil, err
	}
	return dutySettingsMessage(nursery, settings), nil
}

func dutySettingsMessage(nursery string, s dutySettings) *recordsv1.DutySettings {
	message := s.contract(nursery)
	message.Etag = rpc.ETag(s.version)
	return message
}

// UpdateDutySettings adds answers to those that were given before.
func (s *Service) UpdateDutySettings(ctx context.Context, request *recordsv1.UpdateDutySettingsRequest) (*recordsv1.DutySettings, error) {
	changed := request.GetDutySettings()
	nursery, err := parseDutySettings("duty_settings.name", changed.GetName())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.DutySettings, error) {
		// Two who answer at once come one after the other.
		if _, err := lockHead(ctx, tx, nursery); err != nil {
			return nil, err
		}
		before, err := readDutySettings(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		merged := before.contract(nursery)
		if err := rpc.CheckETag(merged.GetName(), changed.GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, changed, request.GetUpdateMask()); err != nil {
			return nil, err
		}
		after := dutySettingsFromContract(merged)
		after.version, after.person, after.at = before.version+1, caller.Person, s.db.Now()
		if err := insertDutySettings(ctx, tx, nursery, after); err != nil {
			return nil, err
		}
		return dutySettingsMessage(nursery, after), nil
	})
}

// dutyMonth is what the duties of a month are worked out from.
type dutyMonth struct {
	facts duty.NurseryFacts
	month string
	// field is where the request names the month.
	field        string
	applications []duty.Application
	// entered are when the standing entries of each application came into the ledger.
	entered map[string][]time.Time
	// gaps are sentences on applications that were left out.
	gaps []string
}

// readDutyMonth reads the applications of the month in a field of a request, and what was
// said of the nursery.
func readDutyMonth(ctx context.Context, r postgres.Reader, id, field, typed string) (dutyMonth, error) {
	nursery, err := identity.ReadNursery(ctx, r, id)
	if err != nil {
		return dutyMonth{}, err
	}
	settings, err := readDutySettings(ctx, r, id)
	if err != nil {
		return dutyMonth{}, err
	}
	begin, end, err := monthBounds(field, typed, nursery.Zone)
	if err != nil {
		return dutyMonth{}, err
	}
	entries, err := ofApplicationsIn(ctx, r, id, begin, end)
	if err != nil {
		return dutyMonth{}, err
	}
	m := dutyMonth{month: typed, field: field, entered: map[string][]time.Time{}, facts: duty.NurseryFacts{
		Jurisdiction: nursery.Jurisdiction, Zone: nursery.Zone,
		MonthlySummary: dutyAnswer(settings.monthlySummary), ElectronicAtOnce: dutyAnswer(settings.electronicAtOnce),
		LongerConversion: dutyAnswer(settings.longerConversion),
	}}
	purges, err := purgesSince(ctx, r, id, begin)
	if err != nil {
		return dutyMonth{}, err
	}
	for _, p := range purges {
		m.gaps = append(m.gaps, p.said(id))
	}
	for group := range slices.Values(byApplication(entries)) {
		if neverApplied(group) {
			m.gaps = append(m.gaps, fmt.Sprintf("Application %s: every amount of it was put right to zero, so nothing is due for it.", group[0].Application))
			continue
		}
		m.add(group, settings.eventOf(nursery.Zone, group...), begin, end)
	}
	return m, nil
}

// add adds an application with its standing entries. Duties count the month in which work
// began and use reports the one in which it was finished: where these differ, both say so.
func (m *dutyMonth) add(entries []kept, event duty.Event, begin, end time.Time) {
	name := entries[0].Application
	m.applications = append(m.applications, duty.Application{Name: name, Event: event})
	for _, e := range entries {
		m.entered[name] = append(m.entered[name], e.CreateTime)
	}
	began := !event.Start.Before(begin) && event.Start.Before(end)
	switch {
	case began && event.End.After(end):
		m.gaps = append(m.gaps, fmt.Sprintf("Application %s began in %s and was finished after it: its duties stand here, "+
			"and the use report of the month in which it was finished has it. Hand that in too.", name, m.month))
	case event.Start.Before(begin) && event.End.After(begin):
		m.gaps = append(m.gaps, fmt.Sprintf("Application %s was finished in %s and began before it: the use report of %s has it, "+
			"and its duties stand in the month in which it began.", name, m.month, m.month))
	}
}

// sentBefore names what was entered after the first report of the month went out: that
// report does not have it.
func (m dutyMonth) sentBefore(items []duty.Item) []string {
	var gaps []string
	for _, item := range items {
		if !item.Month || item.DoneAt.IsZero() {
			continue
		}
		for _, name := range item.Applications {
			if slices.ContainsFunc(m.entered[name], func(at time.Time) bool { return at.After(item.DoneAt) }) {
				gaps = append(gaps, fmt.Sprintf("Application %s was entered or corrected after %s was done at %s, so that report has not what stands now: "+
					"hand a corrected one in.", name, item.ID, moment(item.DoneAt)))
			}
		}
	}
	return gaps
}

// monthBounds is when a month begins and when the next one does.
func monthBounds(field, typed string, zone *time.Location) (begin, end time.Time, err error) {
	first, err := time.Parse(monthForm, typed)
	if err != nil {
		return begin, end, fault.Field(field, "%q is not a month such as 2026-03", typed).With("month", typed)
	}
	if begin, _, err = clock.Day(first.Format(time.DateOnly), zone); err != nil {
		return begin, end, err
	}
	end, _, err = clock.Day(first.AddDate(0, 1, 0).Format(time.DateOnly), zone)
	return begin, end, err
}

// byApplication cuts entries that are in the order of their applications.
func byApplication(entries []kept) [][]kept {
	var groups [][]kept
	for i, e := range entries {
		if i == 0 || e.Application != entries[i-1].Application {
			groups = append(groups, nil)
		}
		groups[len(groups)-1] = append(groups[len(groups)-1], e)
	}
	return groups
}

// neverApplied reports whether corrections took back all of an application.
func neverApplied(entries []kept) bool {
	return !slices.ContainsFunc(entries, func(e kept) bool { return e.ProductAmount.Positive() })
}

// eventOf is what happened in an application, by its entries: from its first start to its
// last end, with the longest restricted-entry interval. One that lacks the interval
// leaves it unknown for all.
func (s dutySettings) eventOf(zone *time.Location, entries ...kept) duty.Event {
	event := duty.Event{
		Zone: zone, Start: entries[0].StartTime, End: entries[0].EndTime, RestrictedUse: duty.No, DoneBy: s.doneBy(), TradesInProducts: s.tradesFor(),
		MonthlySummary: dutyAnswer(s.monthlySummary), ElectronicAtOnce: dutyAnswer(s.electronicAtOnce), LongerConversion: dutyAnswer(s.longerConversion),
	}
	longest, known := time.Duration(0), true
	for _, e := range entries {
		if e.StartTime.Before(event.Start) {
			event.Start = e.StartTime
		}
		if e.EndTime.After(event.End) {
			event.End = e.EndTime
		}
		if e.RestrictedUse {
			event.RestrictedUse = duty.Yes
		}
		known = known && quantity.Convertible(e.RestrictedEntryInterval.Unit, quantity.Hour)
		longest = max(longest, lengthOf(e.RestrictedEntryInterval))
	}
	if known {
		event.RestrictedEntry = &longest
	}
	return event
}

// lengthOf returns how long an interval in hours is, rounded up to a whole second: it is
// never shortened. What is no time is 0.
func lengthOf(interval quantity.Quantity) time.Duration {
	if interval.IsZero() {
		return 0
	}
	hours, err := interval.Exact().In(quantity.Hour)
	if err != nil {
		return 0
	}
	const places = 6
	millionths := hours.Ceil(places).Amount.Shift(places).IntPart() * int64(time.Hour/time.Second)
	return time.Duration((millionths+1_000_000-1)/1_000_000) * time.Second
}

// calendar works the duties of a month out.
func (m dutyMonth) calendar(done []dutyDone, now time.Time) (duty.Calendar, error) {
	did := make([]duty.Done, len(done))
	for i, d := range done {
		did[i] = duty.Done{Deadline: d.deadline, Application: d.application, At: d.at}
	}
	calendar, err := duty.MonthOf(m.facts, m.month, m.applications, did, now)
	if err != nil {
		return duty.Calendar{}, fault.Field(m.field, "%s", err).With("month", m.month)
	}
	calendar.Gaps = slices.Concat(m.gaps, m.sentBefore(calendar.Items), calendar.Gaps, []string{notTracked})
	return calendar, nil
}

// ListRecordDuties returns what the work of a month asks for.
func (s *Service) ListRecordDuties(ctx context.Context, request *recordsv1.ListRecordDutiesRequest) (*recordsv1.ListRecordDutiesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var calendar duty.Calendar
	var done []dutyDone
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		m, err := readDutyMonth(ctx, tx, ids[0], "month", request.GetMonth())
		if err != nil {
			return err
		}
		if done, err = readDone(ctx, tx, ids[0], m.month); err != nil {
			return err
		}
		calendar, err = m.calendar(done, s.db.Now())
		return err
	})
	if err != nil {
		return nil, err
	}
	response := &recordsv1.ListRecordDutiesResponse{Gaps: calendar.Gaps, Caution: calendar.Caution}
	for _, item := range calendar.Items {
		message := dutyMessage(item)
		for _, d := range done {
			if isFor(item, d) {
				message.Records = append(message.Records, d.contract(ids[0]))
			}
		}
		response.Duties = append(response.Duties, message)
	}
	return response, nil
}

// isFor reports whether what was done is what a line asks for.
func isFor(item duty.Item, d dutyDone) bool {
	if d.deadline != item.ID || item.Month != (d.application == "") {
		return false
	}
	return item.Month || slices.Contains(item.Applications, d.application)
}

var dutyStates = map[duty.State]recordsv1.DutyState{
	duty.Open: recordsv1.DutyState_DUTY_STATE_DUE, duty.Overdue: recordsv1.DutyState_DUTY_STATE_OVERDUE,
	duty.InTime: recordsv1.DutyState_DUTY_STATE_DONE, duty.DoneLate: recordsv1.DutyState_DUTY_STATE_LATE,
	duty.Lasting: recordsv1.DutyState_DUTY_STATE_LASTING, duty.Over: recordsv1.DutyState_DUTY_STATE_OVER,
	duty.EndedEarly: recordsv1.DutyState_DUTY_STATE_ENDED_EARLY, duty.Nil: recordsv1.DutyState_DUTY_STATE_NIL,
	duty.NotYet: recordsv1.DutyState_DUTY_STATE_NOT_YET,
}

func dutyMessage(item duty.Item) *recordsv1.Duty {
	message := &recordsv1.Duty{
		Deadline: item.ID, Law: item.Law, What: item.What, Whose: item.Whose, To: item.To, Applications: item.Applications, MonthReport: item.Month,
		State: dutyStates[item.State], Message: item.Sentence(), Notes: item.Notes, Source: item.Source, Verified: item.Verified, Lasts: item.HoldsUntil,
	}
	if item.Limit.Day != "" {
		message.DueDate = &typev1.Date{Value: item.Limit.Day}
	}
	if !item.Limit.Moment.IsZero() {
		message.DueTime = timestamppb.New(item.Limit.Moment)
	}
	if !item.DoneAt.IsZero() {
		message.DoneTime = timestamppb.New(item.DoneAt)
	}
	return message
}

// RecordDuty says that something that was due was done.
func (s *Service) RecordDuty(ctx context.Context, request *recordsv1.RecordDutyRequest) (*recordsv1.DutyRecord, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	d, err := doneFrom(request.GetDutyRecord(), s.db.Clock())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.DutyRecord, error) {
		if _, err := lockHead(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		m, err := readDutyMonth(ctx, tx, ids[0], "duty_record.month", d.month)
		if err != nil {
			return nil, err
		}
		if err := m.refuse(d, s.db.Now()); err != nil {
			return nil, err
		}
		added := d
		added.person, added.recorded = caller.Person, s.db.Now()
		if added.number, err = insertDone(ctx, tx, ids[0], added); err != nil {
			return nil, err
		}
		return added.contract(ids[0]), nil
	})
}

func doneFrom(message *recordsv1.DutyRecord, c clock.Clock) (dutyDone, error) {
	d := dutyDone{
		month: message.GetMonth(), deadline: message.GetDeadline(), application: message.GetApplication(),
		recipient: message.GetRecipient(), reference: message.GetReference(), note: message.GetNote(),
	}
	if d.application != "" {
		if _, err := resource.Parse("duty_record.application", d.application, "nurseries", "applications"); err != nil {
			return dutyDone{}, err
		}
	}
	if err := message.GetDoneTime().CheckValid(); err != nil {
		return dutyDone{}, fault.Field("duty_record.done_time", "is not a time between the years 1 and 9999")
	}
	d.at = clock.Stored(message.GetDoneTime().AsTime())
	if clock.InFuture(c, d.at) {
		return dutyDone{}, invalidTime("duty_record.done_time", "%s is in the future", moment(d.at)).With("done_time", moment(d.at))
	}
	return d, nil
}

// refuse refuses a record of what nothing asks for, and one that the deadline does not
// count.
func (m dutyMonth) refuse(d dutyDone, now time.Time) error {
	calendar, err := m.calendar([]dutyDone{d}, now)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(calendar.Items, func(item duty.Item) bool { return isFor(item, d) })
	if i < 0 {
		return m.nothingDue(d, calendar)
	}
	item := calendar.Items[i]
	if !item.DoneAt.IsZero() {
		return nil
	}
	if item.Month {
		return invalidTime("duty_record.done_time",
			"%s is before the month %s is over: a report that was made before counts as none, since work could still follow", moment(d.at), m.month).
			With("done_time", moment(d.at)).With("month", m.month)
	}
	return invalidTime("duty_record.done_time", "%s is before the work began", moment(d.at)).With("done_time", moment(d.at))
}

// nothingDue says why nothing fits what was done.
func (m dutyMonth) nothingDue(d dutyDone, calendar duty.Calendar) error {
	with := func(f *fault.Fault) error {
		return f.With("deadline", d.deadline).With("application", d.application).With("month", m.month)
	}
	i := slices.IndexFunc(calendar.Items, func(item duty.Item) bool { return item.ID == d.deadline })
	switch {
	case i < 0:
		return with(fault.Field("duty_record.deadline", "nothing in %s asks for %q; velamen records duties lists what does", m.month, d.deadline))
	case calendar.Items[i].Month:
		return with(fault.Field("duty_record.application", "%s is a report of the whole month: leave the application out", d.deadline))
	case d.application == "":
		return with(fault.Field("duty_record.application", "%s is due for each application: name it", d.deadline))
	default:
		return with(fault.Field("duty_record.application", "%s is not due for %s in %s", d.deadline, d.application, m.month))
	}
}
