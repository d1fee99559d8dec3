package entry

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"velamen/internal/rulefile"
)

// Ventilation is whether a house is aired after an application.
type Ventilation struct {
	// Met is true when it is, at the moment asked about.
	Met bool
	// From is when it was met, or when it will be as the house stands now. Zero when
	// time alone does not meet it.
	From time.Time
	// By is the criterion that met it, or will, in words.
	By string
	// Why is a sentence about what is missing while it is not met.
	Why string
	// Sooner is what would meet it earlier than From, begun at the moment asked about,
	// the earliest first.
	Sooner []Sooner
	// Missing are facts that are not entered and that hold it up.
	Missing []string
	// StandsIn is true where the federal criteria stand in for those of a law that is
	// not entered.
	StandsIn bool
	Source   string
}

// Sooner is one thing to do now.
type Sooner struct {
	Device Device
	// From is when the house is aired if it is done now.
	From time.Time
	// By is the criterion that it meets, Text the whole as a sentence.
	By, Text string
}

// VentilationAt returns whether the house of an application is aired at a moment. The
// air counts from the end of the application. Airings that CheckAirings refuses are
// not counted, and said so. Where a label gives an inhalation level, the air must be
// measured at or below it as well; then the criteria speak only for the rest of the
// mix.
func (n Nursery) VentilationAt(a Application, airings []Airing, moment time.Time) Ventilation {
	house, found := n.house(a.House)
	laws := ventilation()
	code, standsIn, err := lawFor(n.Jurisdiction, laws.codes()...)
	law := laws.of(code)
	switch {
	case err != nil:
		return Ventilation{Why: sentence(err), Missing: []string{"the nursery's law"}}
	case !found:
		return Ventilation{Why: fmt.Sprintf("House %s is not known.", a.House), Missing: []string{"the house"}}
	case a.End.IsZero() || a.End.After(moment):
		return Ventilation{Why: "Airing counts from the end of the application, which is not over.", Source: law.source}
	}
	state := n.byCriteria(house, a, airings, moment, law)
	state.StandsIn = standsIn
	return n.byMeasurement(a, moment, state)
}

// byCriteria judges the airings alone.
func (n Nursery) byCriteria(house House, a Application, airings []Airing, moment time.Time, law ventilationLaw) Ventilation {
	var state Ventilation
	state.Source = law.source
	counted := of(house, airings, a.End, a.End.Add(law.shutAlone), moment)
	if err := CheckAirings(counted, moment); err != nil {
		counted = nil
		state.Missing = append(state.Missing, fmt.Sprintf("what aired %s: what is written cannot be and is not counted (%v)", house.name(), err))
	}
	after, by, met := law.airedAt(stretches(house, counted, a.End))
	if met {
		state.From, state.By = a.End.Add(after), by
		state.Met = !state.From.After(moment)
	}
	if state.Met {
		return state
	}
	state.Why = fmt.Sprintf("%s is not aired yet.", house.firstName())
	if met {
		state.Why = fmt.Sprintf("%s is not aired yet; as it stands it will be at %s, by %s.", house.firstName(), n.when(state.From), by)
	}
	state.Sooner = n.sooner(house, a, counted, moment, law, state.From)
	return state
}

// of returns the airings of a house that have begun at a moment and of which some lies
// between the end of an application and when even a shut house is aired.
func of(house House, airings []Airing, end, shut, moment time.Time) []Airing {
	var own []Airing
	for _, airing := range airings {
		if airing.House != house.ID || airing.Start.After(moment) || !airing.Start.Before(shut) {
			continue
		}
		if !airing.End.IsZero() && !airing.End.After(end) && airing.End.After(airing.Start) {
			continue
		}
		if airing.End.After(moment) {
			// What is planned to go on has not been done; it still goes on now.
			airing.End = time.Time{}
		}
		own = append(own, airing)
	}
	return own
}

// sooner tries each device that the house has and that does not run.
func (n Nursery) sooner(house House, a Application, counted []Airing, moment time.Time, law ventilationLaw, asItStands time.Time) []Sooner {
	var found []Sooner
	for _, try := range []struct {
		device Device
		has    Fact
		words  string
	}{{Fans, house.Fans, "start the fans"}, {Vents, house.Vents, "open the vents"}} {
		if try.has != Yes {
			continue
		}
		airing := Airing{House: house.ID, Device: try.device, Start: moment}
		if try.device == Fans {
			airing.Flow = house.FanFlow
		}
		after, by, met := law.airedAt(stretches(house, append(closed(counted, try.device, moment), airing), a.End))
		from := a.End.Add(after)
		if !met || (!asItStands.IsZero() && !from.Before(asItStands)) {
			continue
		}
		one := Sooner{Device: try.device, From: from, By: by}
		one.Text = fmt.Sprintf("%s now in %s: aired at %s, by %s", try.words, house.name(), n.when(from), by)
		if len(found) > 0 && from.Before(found[0].From) {
			found = append([]Sooner{one}, found...)
			continue
		}
		found = append(found, one)
	}
	return found
}

// closed returns airings without one device running on from a moment, or the house
// shut, so that it can be begun there. A device that runs already is left as it is.
func closed(airings []Airing, device Device, moment time.Time) []Airing {
	var left []Airing
	for _, airing := range airings {
		if airing.Device != device || !airing.End.IsZero() {
			left = append(left, airing)
			continue
		}
		// All fans running is never less than some of them.
		airing.End = moment
		left = append(left, airing)
	}
	return left
}

// byMeasurement adds what labels with an inhalation level ask for.
func (n Nursery) byMeasurement(a Application, moment time.Time, state Ventilation) Ventilation {
	measured := 0
	for _, product := range a.Products {
		switch product.Inhalation {
		case No:
			continue
		case Unknown:
			state = state.unmet("whether the label of " + product.Name + " gives an inhalation level")
			state.Why = fmt.Sprintf("Whether the label of %s gives an inhalation level is not entered: enter it, or that it gives none.", product.Name)
			continue
		}
		measured++
		from, below := product.measuredBelow(a, moment)
		if !below {
			state = state.unmet("")
			state.Why = fmt.Sprintf("The label of %s has the air measured at or below %s before anybody enters; no measurement since the application shows that.",
				product.Name, levelText(product))
			continue
		}
		if from.After(state.From) && !state.From.IsZero() {
			state.From, state.By = from, "measured air at or below the label's level of "+product.Name
		}
	}
	if len(a.Products) == 0 {
		state = state.unmet("which products were applied")
		state.Why = "Which products were applied is not entered, and with them whether a label gives an inhalation level."
	}
	if measured > 0 && measured == len(a.Products) {
		return n.onlyMeasured(a, moment, state)
	}
	return state
}

// onlyMeasured is of a mix whose labels all give a level: the measured air alone
// decides.
func (n Nursery) onlyMeasured(a Application, moment time.Time, state Ventilation) Ventilation {
	only := Ventilation{Met: true, Source: state.Source, StandsIn: state.StandsIn, By: "measured air at or below the level of every label"}
	for _, product := range a.Products {
		from, below := product.measuredBelow(a, moment)
		if !below {
			state.Sooner, state.From, state.By = nil, time.Time{}, ""
			return state
		}
		if from.After(only.From) {
			only.From = from
		}
	}
	return only
}

func (v Ventilation) unmet(missing string) Ventilation {
	v.Met, v.From, v.By, v.Sooner = false, time.Time{}, "", nil
	if missing != "" {
		v.Missing = append(v.Missing, missing)
	}
	return v
}

func levelText(product Product) string {
	if product.Level.IsZero() {
		return "a level that is not entered"
	}
	return product.Level.String()
}

// measuredBelow returns since when every measurement for a product is at or below its
// level, and false when the last is not, or when there is none.
func (p Product) measuredBelow(a Application, moment time.Time) (time.Time, bool) {
	var since, lastAbove time.Time
	for _, m := range a.Air {
		if m.Product != p.Name || m.Time.Before(a.End) || m.Time.After(moment) {
			continue
		}
		compared, err := m.Value.Compare(p.Level)
		if err != nil || compared > 0 || m.Value.Amount.IsNegative() || p.Level.IsZero() {
			if m.Time.After(lastAbove) {
				lastAbove = m.Time
			}
		}
	}
	for _, m := range a.Air {
		if m.Product == p.Name && !m.Time.Before(a.End) && !m.Time.After(moment) && m.Time.After(lastAbove) && (since.IsZero() || m.Time.Before(since)) {
			since = m.Time
		}
	}
	return since, !since.IsZero()
}

// criterion is one way to air a house.
type criterion struct {
	name              string
	exchanges         int
	fans, vents, shut time.Duration
}

// ventilationLaw is the criteria of one law.
type ventilationLaw struct {
	code, source string
	fractions    bool
	criteria     []criterion
	// shutAlone is the shortest time that airs a house without any ventilation.
	shutAlone time.Duration
}

// LongestAiring returns how long after the end of an application a house is aired at
// the latest, by the law that has it longest, even if it stays shut. Where a label gives
// an inhalation level, or nobody entered whether it does, no time airs a house.
func LongestAiring() time.Duration {
	var longest time.Duration
	for _, law := range ventilation() {
		longest = max(longest, law.shutAlone)
	}
	return longest
}

// ventilationSet is the criteria of every law that is entered.
type ventilationSet []ventilationLaw

var ventilation = sync.OnceValue(func() ventilationSet { return load("ventilation.yaml", parseVentilation) })

func (s ventilationSet) codes() []string {
	codes := make([]string, len(s))
	for i, law := range s {
		codes[i] = law.code
	}
	return codes
}

func (s ventilationSet) of(code string) ventilationLaw {
	for _, law := range s {
		if law.code == code {
			return law
		}
	}
	return ventilationLaw{}
}

type ventilationRows struct {
	Source string                `yaml:"source"`
	Date   string                `yaml:"date"`
	Laws   []ventilationLawsRows `yaml:"laws"`
}

type ventilationLawsRows struct {
	Law      string `yaml:"law"`
	Combine  string `yaml:"combine"`
	origin   `yaml:",inline"`
	Criteria []criterionRow `yaml:"criteria"`
}

type criterionRow struct {
	ID        string `yaml:"id"`
	Name      string `yaml:"name"`
	Exchanges int    `yaml:"exchanges"`
	FansH     int    `yaml:"fans_h"`
	VentsH    int    `yaml:"vents_h"`
	ShutH     int    `yaml:"shut_h"`
}

// parseVentilation reads ventilation.yaml. Errors name the file, the law, the row and
// the field.
func parseVentilation(file []byte) (ventilationSet, error) {
	laws, err := readVentilation(file)
	if err != nil {
		return nil, fmt.Errorf("ventilation.yaml: %w", err)
	}
	return laws, nil
}

func readVentilation(file []byte) (ventilationSet, error) {
	var rows ventilationRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rulefile.CheckHead(rows.Source, rows.Date); err != nil {
		return nil, err
	}
	var laws ventilationSet
	for _, row := range rows.Laws {
		law, err := row.law()
		if err == nil && contains(laws.codes(), row.Law) {
			err = errors.New("is listed twice")
		}
		if err != nil {
			return nil, fmt.Errorf("law %q: %w", row.Law, err)
		}
		laws = append(laws, law)
	}
	if !contains(laws.codes(), federal) {
		return nil, fmt.Errorf("laws: %s must be listed, which stands in elsewhere", federal)
	}
	return laws, nil
}

func (row ventilationLawsRows) law() (ventilationLaw, error) {
	law := ventilationLaw{code: row.Law, source: row.Source, fractions: row.Combine == "fractions"}
	if err := errors.Join(row.check(), checkLaw(row.Law)); err != nil {
		return law, err
	}
	if !law.fractions && row.Combine != "any" {
		return law, fmt.Errorf("combine: %q is not any or fractions", row.Combine)
	}
	for i, c := range row.Criteria {
		read, err := c.read(law.fractions)
		if err != nil {
			return law, fmt.Errorf("criteria row %d (%q): %w", i+1, c.ID, err)
		}
		if read.exchanges == 0 && read.fans == 0 && read.vents == 0 && (law.shutAlone == 0 || read.shut < law.shutAlone) {
			law.shutAlone = read.shut
		}
		law.criteria = append(law.criteria, read)
	}
	if law.shutAlone == 0 {
		return law, errors.New("criteria: one must be of a house that stays shut")
	}
	return law, nil
}

func (row criterionRow) read(fractions bool) (criterion, error) {
	read := criterion{
		name: row.Name, exchanges: row.Exchanges,
		fans: time.Duration(row.FansH) * time.Hour, vents: time.Duration(row.VentsH) * time.Hour, shut: time.Duration(row.ShutH) * time.Hour,
	}
	if err := errors.Join(whole("exchanges", row.Exchanges, 0, mostHours), whole("fans_h", row.FansH, 0, mostHours),
		whole("vents_h", row.VentsH, 0, mostHours), whole("shut_h", row.ShutH, 0, mostHours)); err != nil {
		return read, err
	}
	given := 0
	for _, number := range []int{row.Exchanges, row.FansH, row.VentsH} {
		if number > 0 {
			given++
		}
	}
	switch {
	case row.ID == "" || row.Name == "":
		return read, errors.New("id, name: must be given")
	case given > 1 || (given == 0 && row.ShutH == 0):
		return read, errors.New("exchanges, fans_h, vents_h: one of them, or shut_h alone, must be given")
	case row.ShutH > 0 && given > 0 && (fractions || row.Exchanges > 0):
		return read, errors.New("shut_h: does not go before this")
	}
	return read, nil
}
