package demo

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/quantity"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/treatment"
	"velamen/services/treatment/rules"
	"velamen/services/treatment/sampling"
)

// seededAt is when the tests set the nursery up: in the morning, so that the
// last working day that was over is the day before.
var seededAt = time.Date(2026, 3, 20, 7, 30, 0, 0, time.UTC)

func readNursery(t *testing.T) *nursery {
	t.Helper()
	n, err := read()
	require.NoError(t, err)
	return n
}

func calendarOf(t *testing.T, n *nursery) calendar {
	t.Helper()
	zone, err := time.LoadLocation(n.TimeZone)
	require.NoError(t, err)
	return newCalendar(seededAt, zone)
}

func TestCalendarCountsFromTheLastWorkingDayThatWasOver(t *testing.T) {
	zone, err := time.LoadLocation("Africa/Johannesburg")
	require.NoError(t, err)
	for _, test := range []struct {
		name, seeded, at, want string
		day                    int
	}{
		{"set up in the morning", "2026-03-20T08:00:00+02:00", "07:30", "2026-03-19T07:30:00+02:00", 0},
		{"set up in the evening", "2026-03-20T17:00:00+02:00", "07:30", "2026-03-20T07:30:00+02:00", 0},
		{"days count back", "2026-03-20T08:00:00+02:00", "16:59", "2026-02-17T16:59:00+02:00", 30},
		{"the day is the nursery's, not that of UTC", "2026-03-19T23:30:00Z", "07:30", "2026-03-19T07:30:00+02:00", 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			seeded, err := time.Parse(time.RFC3339, test.seeded)
			require.NoError(t, err)
			got, err := newCalendar(seeded, zone).at(moment{Day: test.day, At: test.at})
			require.NoError(t, err)
			require.Equal(t, test.want, got.In(zone).Format(time.RFC3339))
			require.False(t, got.After(seeded), "nothing lies in the future")
		})
	}
}

func TestNurseryIsAsLargeAsPromised(t *testing.T) {
	n := readNursery(t)
	rows := func(body []byte) int { return strings.Count(string(body), "\n") - 1 }
	require.Equal(t, 7, rows(n.houses))
	require.Equal(t, 60, rows(n.benches))
	require.Equal(t, 400, rows(n.lots))
	require.Len(t, n.deliveries, 80)
	require.Greater(t, len(n.events), 150)
	require.GreaterOrEqual(t, len(n.outbreaks), 20)
	require.Len(t, n.Sprayers, 3)
	roles := map[identityv1.Role]int{}
	for _, who := range n.People {
		roles[who.role()]++
	}
	require.Equal(t, map[identityv1.Role]int{
		identityv1.Role_ROLE_OWNER: 1, identityv1.Role_ROLE_MANAGER: 1, identityv1.Role_ROLE_ADVISER: 1,
		identityv1.Role_ROLE_AUDITOR: 1, identityv1.Role_ROLE_WORKER: 5,
	}, roles)
}

// EPPO Global Database, gd.eppo.int/taxon/CHYHO, which has Chrysanthemum x morifolium
// as another name of Dendranthema x grandiflorum. Plants whose code was not looked up
// have none: a code is never guessed from its pattern.
func TestEPPOCodesOfTheLotsPublished(t *testing.T) {
	published := map[string]string{"Chrysanthemum × morifolium": "CHYHO"}
	rows, err := csv.NewReader(bytes.NewReader(readNursery(t).lots)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"lot", "botanical_name", "eppo_code"}, rows[0][:3])
	for _, row := range rows[1:] {
		require.Equal(t, published[row[1]], row[2], row[0])
	}
}

func TestEveryOutbreakHasLotsOfItsOwnThatHadArrived(t *testing.T) {
	n := readNursery(t)
	taken := map[string]string{}
	for _, event := range n.events {
		taken[event.lot] = "history.csv"
	}
	for _, o := range n.outbreaks {
		for _, lot := range o.Lots {
			require.Empty(t, taken[lot], "%s of %s", lot, o.Key)
			taken[lot] = o.Key
			i := slices.IndexFunc(n.deliveries, func(d delivery) bool { return d.lot == lot })
			require.GreaterOrEqual(t, i, 0, "%s of %s is no delivery", lot, o.Key)
			require.Greater(t, n.deliveries[i].when.Day, o.Found.Day, "%s arrived before it fell ill", lot)
			require.LessOrEqual(t, o.Found.Sampled, n.deliveries[i].plants, "%s has that many plants", lot)
		}
		if o.Back != nil {
			require.Len(t, o.Back, len(o.Lots), o.Key)
			require.Equal(t, "RELEASED", o.Ends, o.Key)
		}
	}
}

func TestProductsAreInventedAndCoverTheCandidatesOfThePrograms(t *testing.T) {
	n := readNursery(t)
	covered := map[string]bool{}
	missing := 0
	for _, p := range n.products {
		message, err := p.message()
		require.NoError(t, err, p.ID)
		require.NoError(t, protovalidate.Validate(message), p.ID)
		require.True(t, strings.HasPrefix(message.GetRegistrationNumber(), "DEMO-"), p.ID)
		for _, content := range message.GetContents() {
			_, known := products.ActiveIngredientByID(content.GetActiveIngredient())
			require.True(t, known, content.GetActiveIngredient())
			covered[content.GetActiveIngredient()] = true
		}
		for _, direction := range message.GetDirections() {
			require.Contains(t, direction.GetProtectiveEquipment(), "Invented", p.ID)
		}
		require.NotEqual(t, productsv1.ToxicityCategory_TOXICITY_CATEGORY_UNSPECIFIED, message.GetToxicityCategory(), p.ID)
		require.NotNil(t, message.GetCost(), p.ID)
		require.Contains(t, message.GetFirstAid(), "Invented", p.ID)
		label := labelOf(t, n, p.ID)
		for _, finding := range products.Check(label, n.Jurisdiction, seededAt) {
			require.Equal(t, "directions[0].restricted_entry_interval", finding.Field, "%s: %s", p.ID, finding.Message)
		}
		for _, direction := range label.Directions {
			for _, fact := range direction.Missing() {
				require.Equal(t, productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL, fact, p.ID)
				missing++
			}
		}
	}
	require.Equal(t, 1, missing, "one product lacks its restricted-entry interval")
	for _, template := range shippedTemplates(t) {
		for _, step := range template.GetSteps() {
			for _, active := range step.GetCandidateActiveIngredients() {
				if active != notSold {
					require.True(t, covered[active], "%s for %s of %s", active, step.GetKey(), template.GetDisplayName())
				}
			}
		}
	}
}

// notSold is a candidate that no product has: the store of the demo shows one that
// is to be bought.
const notSold = "neem-oil"

func shippedTemplates(t *testing.T) []*treatmentv1.Template {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join("..", "..", "services", "treatment", "templates", "*.yaml"))
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	templates := make([]*treatmentv1.Template, len(paths))
	for i, path := range paths {
		templates[i] = shippedTemplate(t, strings.TrimSuffix(filepath.Base(path), ".yaml"))
	}
	return templates
}

func TestContainersAreOfTheProductsAndCameBeforeTheyWereOpened(t *testing.T) {
	n := readNursery(t)
	c := calendarOf(t, n)
	today := seededAt.In(c.zone).Format(time.DateOnly)
	var expired, sealed, counted int
	stored := map[string]bool{}
	for _, held := range n.containers {
		label := labelOf(t, n, held.product)
		require.False(t, stored[held.product+"/"+held.id], "%s of %s is listed twice", held.id, held.product)
		stored[held.product+"/"+held.id] = true
		message, err := c.container(held)
		require.NoError(t, err, held.product)
		require.NoError(t, protovalidate.Validate(message), held.product)
		size := q(t, message.GetSize())
		require.Contains(t, products.AmountUnits(label.Form), size.Unit, held.product)
		require.LessOrEqual(t, message.GetReceiveDate().GetValue(), today, held.product)
		if message.GetExpireDate().GetValue() < today {
			expired++
		}
		if held.opened == nil {
			sealed++
		} else {
			require.LessOrEqual(t, message.GetReceiveDate().GetValue(), message.GetOpenDate().GetValue(), held.product)
		}
		if held.counted != "" {
			counted++
			require.NotEmpty(t, held.note, held.product)
		}
	}
	require.Positive(t, expired, "something is past its last day")
	require.Positive(t, sealed, "something was never opened")
	require.Positive(t, counted, "something was counted when the books were begun")
}

func TestEveryApplicationTakesFromAContainerThatHadCome(t *testing.T) {
	n := readNursery(t)
	for _, o := range n.outbreaks {
		applied := slices.Clone(o.Steps)
		for _, made := range o.Breaches {
			applied = append(applied, made.step)
		}
		for _, done := range applied {
			if done.Product == "" {
				continue
			}
			require.True(t, slices.ContainsFunc(n.containers, func(held container) bool {
				return held.product == done.Product && held.opened != nil && *held.opened > done.Day+1 && held.expires > -done.Day
			}), "%s of %s on day %d", done.Product, o.Key, done.Day)
		}
	}
}

func TestSprayersHoursAndSignsAreOfTheContract(t *testing.T) {
	n := readNursery(t)
	for _, sprayer := range n.Sprayers {
		message, err := sprayer.message()
		require.NoError(t, err, sprayer.ID)
		require.NoError(t, protovalidate.Validate(message), sprayer.ID)
	}
	s := &seeder{people: peopleOf(n, nil), calendar: calendarOf(t, n)}
	for _, written := range n.planning.People {
		pattern, err := s.workPattern(written)
		require.NoError(t, err, written.Person)
		require.NoError(t, protovalidate.Validate(pattern), written.Person)
		require.True(t, slices.ContainsFunc(n.People, func(p person) bool { return p.ID == written.Person }), written.Person)
	}
	for _, written := range n.planning.Houses {
		calendar, err := s.houseCalendar(written)
		require.NoError(t, err, written.House)
		require.NoError(t, protovalidate.Validate(calendar), written.House)
	}
	settings, err := s.planningSettings()
	require.NoError(t, err)
	require.NoError(t, protovalidate.Validate(settings))
	for disorder, picture := range n.pictures {
		_, known := diagnosis.DisorderByID(disorder)
		require.True(t, known, disorder)
		observations, err := picture.observations()
		require.NoError(t, err, disorder)
		for _, observation := range observations {
			require.NoError(t, protovalidate.Validate(observation), disorder)
		}
	}
}

func TestProgramsCourse(t *testing.T) {
	n := readNursery(t)
	for _, o := range n.outbreaks {
		if o.Template == "" {
			continue
		}
		t.Run(o.Key, func(t *testing.T) {
			c := &course{t: t, n: n, o: o, template: shippedTemplate(t, o.Template)}
			c.run()
			require.Equal(t, o.Ends, string(c.state.Status), o.Title)
			require.Equal(t, o.Open, c.next(), o.Title)
		})
	}
}

func shippedTemplate(t *testing.T, id string) *treatmentv1.Template {
	t.Helper()
	body, err := os.ReadFile(filepath.Join("..", "..", "services", "treatment", "templates", id+".yaml"))
	require.NoError(t, err)
	template, err := treatment.ReadTemplate(body)
	require.NoError(t, err)
	return template
}

// course is the way of one outbreak through the rules of the treatment, without
// a database. No two outbreaks have a lot in common, so what the lots of one were
// treated with is all in it.
type course struct {
	t        *testing.T
	n        *nursery
	o        outbreak
	template *treatmentv1.Template
	calendar calendar
	state    treatment.State
	// groups are the resistance groups used, by step id.
	groups map[string][]string
	// past is what the lots were treated with so far.
	past []rules.Past
	// inspections are the looks so far, and treated when the first chemical of the
	// round had gone on.
	inspections []sampling.Inspection
	treated     map[int]time.Time
}

func (c *course) run() {
	c.groups, c.treated, c.calendar = map[string][]string{}, map[int]time.Time{}, calendarOf(c.t, c.n)
	people := peopleOf(c.n, nil)
	completed, err := people.completedSteps(c.calendar, c.o)
	require.NoError(c.t, err)
	require.NotEmpty(c.t, completed)
	require.Contains(c.t, c.template.GetDisorders(), c.o.Disorder)
	c.apply(treatment.Event{Kind: treatment.EventStarted, At: completed[0].GetConfirmation().GetStartTime().AsTime()})
	for _, done := range completed {
		require.NoError(c.t, protovalidate.Validate(done))
		c.confirm(done)
	}
	for _, made := range c.o.Breaches {
		c.breach(people, made)
	}
	switch c.o.Then.Do {
	case thenPause:
		c.apply(treatment.Event{Kind: treatment.EventPaused, At: seededAt})
	case thenGiveUp, thenDiscard:
		c.apply(treatment.Event{Kind: treatment.EventGaveUp, At: seededAt})
	}
	if c.o.Then.Do == thenDiscard {
		c.apply(treatment.Event{Kind: treatment.EventStepConfirmed, Step: "discard-1", Outcome: treatment.OutcomeDone, At: seededAt})
	}
}

func (c *course) apply(event treatment.Event) {
	c.t.Helper()
	event.Sequence = c.state.Sequence + 1
	after, err := treatment.Apply(treatment.PlanOf(c.template), c.state, event)
	require.NoError(c.t, err)
	c.state = after
}

func (c *course) confirm(done *treatmentv1.CompletedStep) {
	c.t.Helper()
	i := len(c.state.Steps) - 1
	for ; i >= 0 && c.state.Steps[i].Key != done.GetKey(); i-- {
	}
	require.GreaterOrEqual(c.t, i, 0, done.GetKey())
	step := c.state.Steps[i]
	confirmation := done.GetConfirmation()
	require.NoError(c.t, treatment.CheckTimes("", confirmation, clock.Fixed(seededAt)), step.ID())
	require.NoError(c.t, c.state.CheckConfirmable(step.ID(), confirmation.GetStartTime().AsTime()))
	planned := c.template.GetSteps()[slices.IndexFunc(c.template.GetSteps(), func(s *treatmentv1.TemplateStep) bool { return s.GetKey() == step.Key })]
	require.NoError(c.t, treatment.CheckProofs("", step.Kind, planned.GetProofs(), confirmation), step.ID())
	switch {
	case treatment.Applies(step.Kind):
		c.confirmApplication(step, planned, confirmation)
	case confirmation.GetInspection() != nil:
		c.look(confirmation)
	}
	if step.Kind == treatmentv1.StepKind_STEP_KIND_RELEASE {
		c.release(step, confirmation)
	}
	c.apply(treatment.Event{
		Kind: treatment.EventStepConfirmed, Step: step.ID(),
		Outcome: treatment.OutcomeOf(step.Kind, confirmation), At: confirmation.GetEndTime().AsTime(),
	})
}

// confirmApplication holds an application to every rule: exactly those that the
// manager answers for refuse it.
func (c *course) confirmApplication(step treatment.Step, planned *treatmentv1.TemplateStep, confirmation *treatmentv1.Confirmation) {
	c.t.Helper()
	a := c.application(confirmation.GetTreatments(), confirmation.GetConditions(), confirmation.GetPerformer(), confirmation.GetStartTime().AsTime())
	a.Method, a.Candidates = methods[step.Kind], planned.GetCandidateActiveIngredients()
	a.RoundBefore = c.groups[treatment.Step{Key: step.Key, Round: step.Round - 1}.ID()]
	c.held(a, confirmation.GetOverrides())
	past := c.remember(a, confirmation.GetEndTime().AsTime())
	for _, active := range past.Products[0].Actives {
		c.groups[step.ID()] = append(c.groups[step.ID()], active.Group)
	}
	if c.treated[step.Round].IsZero() {
		c.treated[step.Round] = past.End
	}
}

// breach holds a breach to be one: a rule refuses it.
func (c *course) breach(people *people, made breach) {
	c.t.Helper()
	proposed, end, err := people.breached(c.calendar, c.o, made)
	require.NoError(c.t, err)
	require.NoError(c.t, protovalidate.Validate(proposed))
	require.NotEmpty(c.t, made.Note)
	a := c.application(proposed.GetTreatments(), proposed.GetConditions(), proposed.GetApplicator(), proposed.GetStartTime().AsTime())
	a.Method = proposed.GetMethod()
	verdicts, err := rules.Check(a, c.history())
	require.NoError(c.t, err)
	require.NotEmpty(c.t, rules.Refusals(verdicts))
	c.remember(a, end)
}

// held holds the refusals of an application to be those that are answered for.
func (c *course) held(a rules.Application, overrides []*treatmentv1.Override) {
	c.t.Helper()
	verdicts, err := rules.Check(a, c.history())
	require.NoError(c.t, err)
	var refused, answered []string
	for _, v := range rules.Refusals(verdicts) {
		require.Truef(c.t, v.Overridable, "%s: %s", v.Rule, v.Message)
		refused = append(refused, v.Rule)
	}
	for _, override := range overrides {
		answered = append(answered, override.GetRule())
	}
	require.ElementsMatch(c.t, answered, refused, verdicts)
}

func (c *course) history() rules.History {
	history := rules.History{}
	for _, lot := range c.o.Lots {
		history[lot] = c.past
	}
	return history
}

// remember adds an application to what the lots were treated with.
func (c *course) remember(a rules.Application, end time.Time) rules.Past {
	c.t.Helper()
	past := rules.Past{ID: fmt.Sprint(len(c.past)), Start: a.Start, End: end, Method: a.Method, Disorder: a.Disorder, Class: a.Class}
	for _, line := range a.Treatments[0].Lines {
		product := rules.PastProduct{ID: line.Product.ID, DisplayName: line.Product.DisplayName, Formulation: line.Product.Formulation, RegistrationNumber: line.Product.RegistrationNumber}
		for _, content := range line.Product.Contents {
			active, known := products.ActiveIngredientByID(content.ActiveIngredient)
			require.True(c.t, known)
			perArea, err := a.Treatments[0].PerArea(active.ID)
			require.NoError(c.t, err)
			product.Actives = append(product.Actives, rules.PastActive{ID: active.ID, Group: active.FRACCode, PerArea: perArea})
		}
		past.Products = append(past.Products, product)
	}
	c.past = append(c.past, past)
	return past
}

// application gathers what the rules look at.
func (c *course) application(treatments []*treatmentv1.HouseTreatment, conditions *treatmentv1.Conditions, applicator string, start time.Time) rules.Application {
	c.t.Helper()
	disorder, known := diagnosis.DisorderByID(c.o.Disorder)
	require.True(c.t, known)
	require.Len(c.t, treatments, 1)
	a := rules.Application{
		Start: start, Zone: c.calendar.zone, Jurisdiction: c.n.Jurisdiction, Disorder: disorder.ID, Class: disorder.Class,
		Conditions: rules.Conditions{
			Temperature: q(c.t, conditions.GetTemperature()), Humidity: q(c.t, conditions.GetHumidity()),
			OpenBloom: conditions.OpenBloom, Sunlit: conditions.Sunlit, WetFoliage: conditions.WetFoliage,
		},
		Applicator: c.applicator(applicator),
	}
	house := strings.TrimPrefix(treatments[0].GetHouse(), "nurseries/windkring/houses/")
	apart, _, _ := strings.Cut(c.o.Bench, "/")
	for _, lot := range c.o.Lots {
		d := c.delivery(lot)
		stands := d.house
		if house == apart {
			stands = apart // they were set apart before anything was applied
		}
		a.Lots = append(a.Lots, rules.Lot{ID: lot, BotanicalName: d.botanicalName, House: stands})
	}
	applied := rules.Treatment{
		House: house, Site: siteOf(c.t, c.n, house),
		Area: q(c.t, treatments[0].GetArea()), MixVolume: q(c.t, treatments[0].GetMixVolume()),
	}
	for _, use := range treatments[0].GetProducts() {
		label := labelOf(c.t, c.n, use.GetProduct())
		applied.Lines = append(applied.Lines, rules.Line{Product: label, Amount: q(c.t, use.GetAmount()), Store: c.store(label.ID)})
	}
	a.Treatments = []rules.Treatment{applied}
	return a
}

func (c *course) applicator(name string) rules.Applicator {
	id := strings.TrimPrefix(name, "nurseries/windkring/people/")
	who := c.n.People[slices.IndexFunc(c.n.People, func(p person) bool { return p.ID == id })]
	applicator := rules.Applicator{ID: who.ID, DisplayName: who.DisplayName}
	for _, held := range who.Certificates {
		applicator.Certificates = append(applicator.Certificates, rules.Certificate{Category: held.Category, ExpireDate: c.calendar.date(held.Expires)})
	}
	for _, held := range who.Qualifications {
		message, err := held.message(c.calendar)
		require.NoError(c.t, err)
		applicator.Qualifications = append(applicator.Qualifications, identity.Qualification{
			Kind: message.GetKind(), Date: message.GetDate().GetValue(), EndDate: message.GetEndDate().GetValue(),
		})
	}
	return applicator
}

// store is what the chemical store held before anything was taken.
func (c *course) store(product string) rules.Store {
	store := rules.Store{}
	for _, held := range c.n.containers {
		if held.product != product {
			continue
		}
		store.Counted = true
		left := held.size
		if held.counted != "" {
			left = held.counted
		}
		amount, err := readQuantity(left)
		require.NoError(c.t, err)
		if remaining := q(c.t, amount); remaining.Positive() {
			store.Containers = append(store.Containers, rules.Container{ID: held.id, Remaining: remaining, ExpireDate: c.calendar.date(held.expires)})
		}
	}
	return store
}

func (c *course) delivery(lot string) delivery {
	return c.n.deliveries[slices.IndexFunc(c.n.deliveries, func(d delivery) bool { return d.lot == lot })]
}

func (c *course) plants() (plants int64) {
	for _, lot := range c.o.Lots {
		plants += c.delivery(lot).plants
	}
	return plants
}

func (c *course) look(confirmation *treatmentv1.Confirmation) {
	counts := confirmation.GetInspection()
	require.LessOrEqual(c.t, counts.GetPlantsSampled(), c.plants())
	c.inspections = append(c.inspections, sampling.Inspection{
		Time: confirmation.GetEndTime().AsTime(), Plants: c.plants(), Sampled: counts.GetPlantsSampled(), Affected: counts.GetPlantsAffected(),
	})
}

// release holds a release to what the inspections show, unless the manager answers
// for it.
func (c *course) release(step treatment.Step, confirmation *treatmentv1.Confirmation) {
	c.t.Helper()
	period, known := sampling.PeriodOf(c.o.Disorder)
	require.True(c.t, known)
	statement, err := sampling.Assess(sampling.Release{
		Plants: c.plants(), Inspections: c.inspections, ExposureEnd: c.treated[step.Round], Period: period, Values: sampling.DesignValues(),
	})
	require.NoError(c.t, err)
	answeredFor := slices.ContainsFunc(confirmation.GetOverrides(), func(o *treatmentv1.Override) bool { return o.GetRule() == treatment.RuleRelease })
	require.NotEqual(c.t, answeredFor, statement.Releasable, statement.Shortfalls)
}

// siteOf says what a house of houses.csv is to a label.
func siteOf(t *testing.T, n *nursery, house string) productsv1.Site {
	t.Helper()
	for _, line := range strings.Split(string(n.houses), "\n") {
		if fields := strings.Split(line, ","); fields[0] == house {
			require.NotEmpty(t, fields[5], "%s has a covering", house)
			if fields[5] == "net" {
				return productsv1.Site_SITE_OUTDOOR
			}
			return productsv1.Site_SITE_GREENHOUSE
		}
	}
	require.Fail(t, "no such house", house)
	return productsv1.Site_SITE_UNSPECIFIED
}

var methods = map[treatment.Kind]productsv1.Method{
	treatmentv1.StepKind_STEP_KIND_SPRAY:  productsv1.Method_METHOD_SPRAY,
	treatmentv1.StepKind_STEP_KIND_BATH:   productsv1.Method_METHOD_BATH,
	treatmentv1.StepKind_STEP_KIND_DRENCH: productsv1.Method_METHOD_DRENCH,
}

// next is the step that is ready, empty when there is none.
func (c *course) next() string {
	if c.state.Status != treatment.Running && c.state.Status != treatment.GivenUp {
		return ""
	}
	var ready []string
	for _, step := range c.state.Steps {
		if step.Status == treatment.Ready {
			ready = append(ready, step.ID())
		}
	}
	return strings.Join(ready, " ")
}

func labelOf(t *testing.T, n *nursery, name string) products.Product {
	t.Helper()
	id := strings.TrimPrefix(name, "nurseries/windkring/products/")
	i := slices.IndexFunc(n.products, func(p product) bool { return p.ID == id })
	require.GreaterOrEqual(t, i, 0, name)
	message, err := n.products[i].message()
	require.NoError(t, err)
	label, err := products.FromContract(id, message)
	require.NoError(t, err)
	return label
}

func q(t *testing.T, message *typev1.Quantity) quantity.Quantity {
	t.Helper()
	value, err := quantity.FromContract(message)
	require.NoError(t, err)
	return value
}
