package demo

import (
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
	"velamen/services/products"
	"velamen/services/treatment"
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
			if direction.GetRestrictedEntryInterval() == nil {
				missing++
			}
		}
		for _, finding := range products.Check(labelOf(t, n, p.ID), "ZA", seededAt) {
			require.Equal(t, "directions[0].restricted_entry_interval", finding.Field, p.ID)
		}
	}
	require.Equal(t, 1, missing, "one product lacks its restricted-entry interval")
	for _, active := range []string{
		"thiophanate-methyl", "tebuconazole", "azoxystrobin", "boscalid", "mancozeb", "chlorothalonil", "copper-hydroxide",
		"captan", "fosetyl-al", "mefenoxam", "propamocarb", "dimethomorph", "fludioxonil",
	} {
		require.True(t, covered[active], active)
	}
}

func TestSprayersAndSignsAreOfTheContract(t *testing.T) {
	n := readNursery(t)
	for _, sprayer := range n.Sprayers {
		message, err := sprayer.message()
		require.NoError(t, err, sprayer.ID)
		require.NoError(t, protovalidate.Validate(message), sprayer.ID)
	}
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
// a database.
type course struct {
	t        *testing.T
	n        *nursery
	o        outbreak
	template *treatmentv1.Template
	state    treatment.State
	// groups are the resistance groups used, by step id.
	groups map[string][]string
}

func (c *course) run() {
	c.groups = map[string][]string{}
	people := peopleOf(c.n, nil)
	completed, err := people.completedSteps(calendarOf(c.t, c.n), c.o)
	require.NoError(c.t, err)
	require.NotEmpty(c.t, completed)
	require.Contains(c.t, c.template.GetDisorders(), c.o.Disorder)
	c.apply(treatment.Event{Kind: treatment.EventStarted, At: completed[0].GetConfirmation().GetStartTime().AsTime()})
	for _, done := range completed {
		require.NoError(c.t, protovalidate.Validate(done))
		c.confirm(done)
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
	if treatment.Applies(step.Kind) {
		c.checkMix(step, planned, confirmation)
	}
	c.apply(treatment.Event{
		Kind: treatment.EventStepConfirmed, Step: step.ID(),
		Outcome: treatment.OutcomeOf(step.Kind, confirmation), At: confirmation.GetEndTime().AsTime(),
	})
}

func (c *course) checkMix(step treatment.Step, planned *treatmentv1.TemplateStep, confirmation *treatmentv1.Confirmation) {
	c.t.Helper()
	disorder, known := diagnosis.DisorderByID(c.o.Disorder)
	require.True(c.t, known)
	before := c.groups[treatment.Step{Key: step.Key, Round: step.Round - 1}.ID()]
	treated := confirmation.GetTreatments()[0]
	facts, err := treatment.CheckMix([]treatment.MixLine{{
		Product: labelOf(c.t, c.n, treated.GetProducts()[0].GetProduct()),
		Amount:  q(c.t, treated.GetProducts()[0].GetAmount()), Volume: q(c.t, treated.GetMixVolume()),
	}}, treatment.MixUse{
		Method: methods[step.Kind], Class: disorder.Class, UsedBefore: before,
		Candidates: treatment.OpenCandidates(planned.GetCandidateActiveIngredients(), before),
	})
	require.NoError(c.t, err, step.ID())
	c.groups[step.ID()] = facts.Groups
	if !facts.RestrictedUse {
		return
	}
	performer := strings.TrimPrefix(confirmation.GetPerformer(), "nurseries/windkring/people/")
	who := c.n.People[slices.IndexFunc(c.n.People, func(p person) bool { return p.ID == performer })]
	day := confirmation.GetStartTime().AsTime().Format(time.DateOnly)
	require.True(c.t, slices.ContainsFunc(who.Certificates, func(held certificate) bool {
		return calendarOf(c.t, c.n).date(held.Expires) >= day
	}), "%s may apply a restricted-use product on %s", who.DisplayName, day)
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
