package endtoend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	recordsv1 "velamen/gen/velamen/records/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

const (
	// killRounds is how often the server is killed unless VELAMEN_KILL_ROUNDS
	// says otherwise.
	killRounds = 50
	// killFor ends the default early on a machine that is far too slow for it, so
	// that a run of all tests stays within the time that make test gives a package.
	killFor = 10 * time.Minute
	// backendsKilled is how often PostgreSQL alone is hurt, as by a system that is
	// out of memory; it recovers by itself and the server stays.
	backendsKilled = 3
	// phones is how many people confirm steps at once.
	phones = 6
	// mostBetweenKills is the most confirmations that are answered before the
	// next kill; some rounds wait for one only, so that a kill also meets what
	// the kill before interrupted.
	mostBetweenKills = 25
	// longestPause shifts a kill away from the moment of an answer.
	longestPause = 15 * time.Millisecond
	// settleWithin is how long the outbox and the workflows may take after a
	// restart until they agree with the record.
	settleWithin = time.Minute
)

// course is a way through a program that can be gone today.
type course struct {
	disorder, template string
	// past was done before the program was entered, today is confirmed one
	// after the other.
	past, today []work
	// discards says that the program is given up then and the plants discarded.
	discards bool
	// ends is where the program stands at last.
	ends treatmentv1.ProgramState
}

func courses() []course {
	sprayedTwice := append(upToContact(60*day), work{step: "contact-1", ago: 46 * day})
	return []course{
		{
			disorder: "phyllosticta-leaf-spot", template: "leaf-spots",
			today: []work{{step: "isolate-1"}, {step: "disinfect-1"}, {step: "prune-1"}, {step: "systemic-1"}},
			ends:  treatmentv1.ProgramState_PROGRAM_STATE_RUNNING,
		},
		{
			disorder: "anthracnose", template: "leaf-spots",
			past: upToContact(14 * day), today: []work{{step: "contact-1"}},
			ends: treatmentv1.ProgramState_PROGRAM_STATE_RUNNING,
		},
		{
			disorder: "fusarium-wilt", template: "vascular-wilt",
			today: []work{
				{step: "isolate-1"}, {step: "disinfect-1"}, {step: "cut-back-1", change: stained},
				{step: "cut-back-1", change: stained}, {step: "cut-back-1"}, {step: "systemic-1"},
			},
			discards: true,
			ends:     treatmentv1.ProgramState_PROGRAM_STATE_DISCARDED,
		},
		{
			disorder: "phyllosticta-leaf-spot", template: "leaf-spots",
			past:  append(slices.Clone(sprayedTwice), work{step: "inspection-1", ago: 20 * day}),
			today: []work{{step: "inspection-1"}, {step: "release-1"}},
			ends:  treatmentv1.ProgramState_PROGRAM_STATE_RELEASED,
		},
		{
			disorder: "cercospora-leaf-spot", template: "leaf-spots",
			past: sprayedTwice,
			today: []work{
				{step: "inspection-1", change: newSpots}, {step: "disinfect-2"}, {step: "prune-2"},
				{step: "systemic-2", change: anotherGroup},
			},
			ends: treatmentv1.ProgramState_PROGRAM_STATE_RUNNING,
		},
	}
}

// TestNothingIsLostOrDoneTwiceWhenTheServerIsKilled kills the server, and in
// half of the rounds its PostgreSQL as well, at random points while people
// confirm steps and start programs. What they were told is on record once, the
// ledger and the plants agree with it, and the workflows stand where it says.
func TestNothingIsLostOrDoneTwiceWhenTheServerIsKilled(t *testing.T) {
	s := &siege{answers: make(chan struct{}, 1<<16), gaveUp: make(chan error, phones)}
	i := newInstall(t)
	i.up()
	s.nursery = settle(i)
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 0))
	rounds, limit := roundsToKill(t)

	people := s.work()
	for began := time.Now(); s.killed < rounds && time.Since(began) < limit; s.killed++ {
		s.awaitAnswers(1 + random.IntN(mostBetweenKills))
		s.strike(random)
		s.up()
		s.check()
	}
	for range backendsKilled {
		s.awaitAnswers(1 + random.IntN(mostBetweenKills))
		s.killBackends()
		s.awaitAnswers(1)
		s.check()
	}
	// A stop in order while people are at work is no different for them.
	s.awaitAnswers(1)
	s.stop(stopWithin)
	s.up()
	s.check()

	s.stopping.Store(true)
	select {
	case <-people:
	case <-time.After(2 * attemptWithin):
		require.FailNow(t, "people are still at work")
	}
	select {
	case err := <-s.gaveUp:
		require.NoError(t, err)
	default:
	}
	s.checkEnd()
	t.Logf("killed %d times, %d of them with PostgreSQL; %d programs, %d answers; %d of %d workflows had to be looked at again (seed %d)",
		s.killed, s.bothKilled, len(s.programs), s.answered.Load(), s.lags, s.looks, seed)
	i.stop(stopWithin)
}

// roundsToKill returns how often the server is killed, and the time after which
// that is enough.
func roundsToKill(t *testing.T) (int, time.Duration) {
	t.Helper()
	if set := os.Getenv("VELAMEN_KILL_ROUNDS"); set != "" {
		rounds, err := strconv.Atoi(set)
		require.NoError(t, err, "VELAMEN_KILL_ROUNDS")
		return rounds, math.MaxInt64
	}
	if testing.Short() {
		return 3, killFor
	}
	return killRounds, killFor
}

// siege is a nursery at work whose server is killed again and again.
type siege struct {
	*nursery
	// answers receives one value for every act that a person was told is done.
	answers  chan struct{}
	answered atomic.Int64
	gaveUp   chan error
	stopping atomic.Bool

	killed, bothKilled int
	// looks counts looks at a workflow after a kill, lags those that found it
	// elsewhere.
	looks, lags int

	mu       sync.Mutex
	programs []*followed
}

// followed is a program that somebody works on, and what they were told.
type followed struct {
	course
	name string

	mu sync.Mutex
	// acts are what was tried, in order.
	acts []*act
	// touched says that something was tried since the last look, lags that the
	// workflow stood elsewhere then.
	touched, lags bool
}

// act is a confirmation, or giving up, with the note by which it is found again.
type act struct {
	kind, step, note string
	treatments       []*treatmentv1.HouseTreatment
	answered         bool
}

// work sends people to work; the channel is closed when they stopped.
func (s *siege) work() <-chan struct{} {
	var people sync.WaitGroup
	for phone := range phones {
		people.Go(func() {
			if err := s.person(phone); err != nil {
				s.gaveUp <- err
			}
		})
	}
	done := make(chan struct{})
	go func() {
		people.Wait()
		close(done)
	}()
	return done
}

// person starts programs and does their work until told to stop.
func (s *siege) person(first int) error {
	all := courses()
	for i := first; !s.stopping.Load(); i++ {
		if err := s.follow(all[i%len(all)]); err != nil {
			return err
		}
	}
	return nil
}

func (s *siege) follow(c course) error {
	program, err := s.newProgram(c.disorder, c.template, c.past...)
	if err != nil {
		return fmt.Errorf("start a program of %s: %w", c.template, err)
	}
	f := &followed{course: c, name: program.GetName(), touched: true}
	s.mu.Lock()
	s.programs = append(s.programs, f)
	s.mu.Unlock()
	for _, w := range c.today {
		if err := s.confirm(f, w); err != nil {
			return err
		}
	}
	if !c.discards {
		return nil
	}
	request := &treatmentv1.GiveUpProgramRequest{Name: f.name, RequestId: id(), Note: id()}
	given := f.try(&act{kind: "gave_up", note: request.GetNote()})
	if _, err := answered(s.nursery, s.manager, s.treatment.GiveUpProgram, request); err != nil {
		return fmt.Errorf("give %s up: %w", f.name, err)
	}
	s.tell(f, given)
	return s.confirm(f, work{step: "discard-1"})
}

func (s *siege) confirm(f *followed, w work) error {
	request := confirmRequest(f.name, w)
	confirmed := f.try(&act{
		kind: "step_confirmed", step: request.GetName(), note: request.GetConfirmation().GetNote(),
		treatments: request.GetConfirmation().GetTreatments(),
	})
	if _, err := answered(s.nursery, s.worker, s.treatment.ConfirmStep, request); err != nil {
		return fmt.Errorf("confirm %s: %w", request.GetName(), err)
	}
	s.tell(f, confirmed)
	return nil
}

// try notes that something is about to be tried.
func (f *followed) try(a *act) *act {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.acts, f.touched = append(f.acts, a), true
	return a
}

// tell notes that a person was told that it is done.
func (s *siege) tell(f *followed, a *act) {
	f.mu.Lock()
	a.answered, f.touched = true, true
	f.mu.Unlock()
	s.answered.Add(1)
	s.answers <- struct{}{}
}

// awaitAnswers returns after so many more answers.
func (s *siege) awaitAnswers(count int) {
	s.t.Helper()
	for len(s.answers) > 0 {
		<-s.answers
	}
	deadline := time.After(2 * attemptWithin)
	for range count {
		select {
		case <-s.answers:
		case err := <-s.gaveUp:
			require.NoError(s.t, err)
		case <-deadline:
			require.FailNow(s.t, "nobody is answered", "velamen said: %s", s.server.output)
		}
	}
}

// strike kills the server at a random moment, and in half of the cases
// PostgreSQL too, shortly before or after it.
func (s *siege) strike(random *rand.Rand) {
	time.Sleep(rand.N(longestPause))
	if random.IntN(2) == 0 {
		s.kill()
		return
	}
	s.bothKilled++
	if random.IntN(2) == 0 {
		s.killPostgreSQL()
		time.Sleep(rand.N(longestPause))
		s.kill()
		return
	}
	s.kill()
	s.killPostgreSQL()
}

// killBackends kills the processes of PostgreSQL that serve connections.
func (s *siege) killBackends() {
	s.t.Helper()
	children, err := os.ReadFile(fmt.Sprintf("/proc/%[1]d/task/%[1]d/children", s.postmaster()))
	require.NoError(s.t, err)
	var killed int
	for _, child := range strings.Fields(string(children)) {
		title, err := os.ReadFile(filepath.Join("/proc", child, "cmdline"))
		// Some end meanwhile; others are PostgreSQL's own.
		if err != nil || !strings.HasPrefix(string(title), "postgres: velamen_app") {
			continue
		}
		pid, err := strconv.Atoi(child)
		require.NoError(s.t, err)
		if syscall.Kill(pid, syscall.SIGKILL) == nil {
			killed++
		}
	}
	require.Positive(s.t, killed)
}

// check looks at what was touched since the last look, while nobody calls.
func (s *siege) check() {
	s.t.Helper()
	s.still.Lock()
	defer s.still.Unlock()
	var touched []*followed
	for _, f := range s.programs {
		if f.touched || f.lags {
			touched = append(touched, f)
		}
		f.touched = slices.ContainsFunc(f.acts, func(a *act) bool { return !a.answered })
	}
	s.checkEvents(touched)
	s.lookAtWorkflows(touched)
	eventually(s.t, settleWithin, s.checkLedger)
	eventually(s.t, settleWithin, s.checkPlants)
}

// checkEnd looks at everything after all was answered.
func (s *siege) checkEnd() {
	s.t.Helper()
	s.checkEvents(s.programs)
	s.checkWorkflows()
	eventually(s.t, settleWithin, s.checkLedger)
	eventually(s.t, settleWithin, s.checkPlants)

	stored, err := pages(func(token string) ([]*treatmentv1.Program, string, error) {
		page, err := read(s.worker, s.treatment.ListPrograms, &treatmentv1.ListProgramsRequest{Parent: parent, PageSize: 1000, PageToken: token})
		return page.GetPrograms(), page.GetNextPageToken(), err
	})
	require.NoError(s.t, err)
	states := map[string]treatmentv1.ProgramState{}
	for _, program := range stored {
		states[program.GetName()] = program.GetState()
	}
	require.Len(s.t, states, len(s.programs), "every program was started once")
	for _, f := range s.programs {
		require.Equal(s.t, f.ends, states[f.name], f.name)
	}
}

func (s *siege) checkEvents(programs []*followed) {
	s.t.Helper()
	for _, f := range programs {
		events, err := s.events(f.name)
		require.NoError(s.t, err)
		require.NoError(s.t, f.holds(events))
	}
}

// lookAtWorkflows notes which workflows stand where their programs do. One whose
// worker was killed at work is given to the new worker only when the time of
// that work is over, which is 10 s for a decision and 30 s for an activity; it
// is looked at again after the next restart, and at last at the end.
func (s *siege) lookAtWorkflows(programs []*followed) {
	s.t.Helper()
	c := s.temporal()
	defer c.Close()
	var looks sync.WaitGroup
	for _, f := range programs {
		looks.Go(func() { f.lags = s.agrees(c, f.name) != nil })
	}
	looks.Wait()
	for _, f := range programs {
		s.looks++
		if f.lags {
			s.lags++
		}
	}
}

// checkWorkflows waits until all workflows stand where their programs do.
func (s *siege) checkWorkflows() {
	s.t.Helper()
	c := s.temporal()
	defer c.Close()
	for _, f := range s.programs {
		eventually(s.t, settleWithin, func() error { return s.agrees(c, f.name) })
	}
}

// holds returns an error unless all that a person was told is among the events
// once, what was not answered once at most, and nothing else.
func (f *followed) holds(events []*treatmentv1.ProgramEvent) error {
	byPeople := map[string][]*treatmentv1.ProgramEvent{}
	for i, event := range events {
		if event.GetSequence() != int64(i+1) {
			return fmt.Errorf("%s: event %d has the sequence %d", f.name, i+1, event.GetSequence())
		}
		if event.GetKind() == "step_confirmed" || event.GetKind() == "gave_up" {
			byPeople[event.GetNote()] = append(byPeople[event.GetNote()], event)
		}
	}
	for _, a := range f.acts {
		found := byPeople[a.note]
		if len(found) > 1 || a.answered && len(found) == 0 {
			return fmt.Errorf("%s: %s %s (answered: %t) is there %d times", f.name, a.kind, a.step, a.answered, len(found))
		}
		if len(found) == 1 && (found[0].GetKind() != a.kind || found[0].GetStep() != a.step) {
			return fmt.Errorf("%s: %s %s is there as %s %s", f.name, a.kind, a.step, found[0].GetKind(), found[0].GetStep())
		}
		delete(byPeople, a.note)
	}
	if len(byPeople) != len(f.past) {
		return fmt.Errorf("%s: %d confirmations were entered with it, but there are %d", f.name, len(f.past), len(byPeople))
	}
	return nil
}

// entered is one product of one application in one house, which is one entry of
// the ledger.
type entered struct{ step, house, product string }

// checkLedger returns an error unless the ledger has an entry for each product
// in each house of each application that was answered, and none twice.
func (s *siege) checkLedger() error {
	verified, err := read(s.worker, s.records.VerifyLedger, &recordsv1.VerifyLedgerRequest{Parent: parent})
	if err != nil {
		return err
	}
	if !verified.GetIntact() {
		return fmt.Errorf("entry %s: %s", verified.GetBrokenEntry(), verified.GetFault())
	}
	steps, err := s.applied()
	if err != nil {
		return err
	}
	entries, err := s.ledger()
	if err != nil {
		return err
	}
	certain, possible := s.expectedEntries()
	for _, e := range entries {
		key := entered{step: steps[e.GetApplication()], house: e.GetHouse(), product: e.GetProduct()}
		if !certain[key] && !possible[key] {
			return fmt.Errorf("the ledger has %v (%s) twice, or nobody confirmed it", key, e.GetApplication())
		}
		delete(certain, key)
		delete(possible, key)
	}
	for key := range certain {
		return fmt.Errorf("the ledger lacks %v and %d others", key, len(certain)-1)
	}
	return nil
}

// applied returns the step of each application, after making sure that no step
// has two.
func (s *siege) applied() (map[string]string, error) {
	applications, err := s.applications()
	if err != nil {
		return nil, err
	}
	steps, seen := map[string]string{}, map[string]bool{}
	for _, application := range applications {
		if seen[application.GetStep()] {
			return nil, fmt.Errorf("step %s was applied twice", application.GetStep())
		}
		seen[application.GetStep()] = true
		steps[application.GetName()] = application.GetStep()
	}
	return steps, nil
}

// expectedEntries returns the entries that must be there, and those of
// confirmations that may have been carried out without an answer.
func (s *siege) expectedEntries() (certain, possible map[entered]bool) {
	certain, possible = map[entered]bool{}, map[entered]bool{}
	for _, f := range s.programs {
		for _, w := range f.past {
			addEntries(certain, f.name+"/steps/"+w.step, w.confirmation(time.Time{}, "").GetTreatments())
		}
		for _, a := range f.acts {
			into := possible
			if a.answered {
				into = certain
			}
			addEntries(into, a.step, a.treatments)
		}
	}
	return certain, possible
}

func addEntries(entries map[entered]bool, step string, treatments []*treatmentv1.HouseTreatment) {
	for _, treatment := range treatments {
		for _, use := range treatment.GetProducts() {
			entries[entered{step: step, house: treatment.GetHouse(), product: use.GetProduct()}] = true
		}
	}
}

// checkPlants returns an error unless the plants are conserved and those of
// discarded lots, and no others, are gone.
func (s *siege) checkPlants() error {
	balance, err := read(s.worker, s.stock.GetPlantBalance, &stockv1.GetPlantBalanceRequest{Name: parent})
	if err != nil {
		return err
	}
	if !balance.GetBalanced() {
		return fmt.Errorf("the plants are not balanced: %v", balance)
	}
	// A lot whose creation was not answered may be there or not.
	least, most := int64(len(s.programs)*lotPlants), s.lots.Load()*lotPlants
	if balance.GetStarted() < least || balance.GetStarted() > most {
		return fmt.Errorf("%d plants were started, but it should be %d to %d", balance.GetStarted(), least, most)
	}
	least, most = 0, 0
	for _, f := range s.programs {
		for _, a := range f.acts {
			if !strings.HasSuffix(a.step, "/discard-1") {
				continue
			}
			most += lotPlants
			if a.answered {
				least += lotPlants
			}
		}
	}
	if balance.GetDisposed() < least || balance.GetDisposed() > most {
		return fmt.Errorf("%d plants were disposed of, but it should be %d to %d", balance.GetDisposed(), least, most)
	}
	return nil
}
