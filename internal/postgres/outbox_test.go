package postgres_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
)

// settable is a clock that a test moves.
type settable struct {
	mu  sync.Mutex
	now time.Time
}

func newSettable() *settable { return &settable{now: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)} }

func (s *settable) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return clock.Stored(s.now)
}

func (s *settable) forward(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(d)
}

// received notes what a consumer got, and fails as often as a test says.
type received struct {
	mu     sync.Mutex
	events []postgres.Event
	fails  map[string]int // by payload
}

func (r *received) send(_ context.Context, event postgres.Event) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.events = append(r.events, event)
	if r.fails[string(event.Payload)] > 0 {
		r.fails[string(event.Payload)]--
		return errors.New("the other side does not answer")
	}
	return nil
}

func (r *received) payloads() (texts []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, event := range r.events {
		texts = append(texts, string(event.Payload))
	}
	return texts
}

const topic = "test.happened"

func consumer(r *received) postgres.Consumer {
	return postgres.Consumer{Name: "receiver", Topics: []string{topic}, Send: r.send}
}

func newOutbox(db *pgtest.Database, consumers ...postgres.Consumer) *postgres.Outbox {
	return postgres.NewOutbox(db.DB, slog.New(slog.DiscardHandler), consumers...)
}

func write(t *testing.T, db *pgtest.Database, outbox *postgres.Outbox, subject string, payload any) {
	t.Helper()
	require.NoError(t, db.InTx(context.Background(), func(tx pgx.Tx) error {
		return outbox.Write(context.Background(), tx, topic, "test", subject, payload)
	}))
}

func pending(t *testing.T, outbox *postgres.Outbox) (undelivered, failing int64) {
	t.Helper()
	undelivered, failing, err := outbox.Pending(context.Background())
	require.NoError(t, err)
	return undelivered, failing
}

func kept(t *testing.T, db *pgtest.Database) (events int) {
	t.Helper()
	require.NoError(t, db.QueryRow(context.Background(), `SELECT count(*) FROM foundation.outbox_event`).Scan(&events))
	return events
}

// eventually polls until a condition holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for !holds() {
		require.True(t, time.Now().Before(deadline), "waited in vain: %s", what)
	}
}

func TestEventsCarryWhatWasWritten(t *testing.T) {
	db := pgtest.New(t)
	got := &received{}
	outbox := newOutbox(db, consumer(got))
	write(t, db, outbox, "nurseries/test/lots/l1", map[string]int{"plants": 3})
	require.NoError(t, outbox.Drain(context.Background()))
	require.Len(t, got.events, 1)
	event := got.events[0]
	require.Equal(t, topic, event.Topic)
	require.Equal(t, "test", event.Nursery)
	require.Equal(t, "nurseries/test/lots/l1", event.Subject)
	require.JSONEq(t, `{"plants": 3}`, string(event.Payload))
	require.Zero(t, kept(t, db), "what is delivered is not kept")
}

func TestWhatIsNotCommittedIsNotSent(t *testing.T) {
	db := pgtest.New(t)
	got := &received{}
	outbox := newOutbox(db, consumer(got))
	err := db.InTx(context.Background(), func(tx pgx.Tx) error {
		require.NoError(t, outbox.Write(context.Background(), tx, topic, "test", "s", 1))
		return errors.New("changed our mind")
	})
	require.Error(t, err)
	require.NoError(t, outbox.Drain(context.Background()))
	require.Empty(t, got.events)
}

func TestAnEventForNobodyIsAFault(t *testing.T) {
	db := pgtest.New(t)
	outbox := newOutbox(db, consumer(&received{}))
	err := db.InTx(context.Background(), func(tx pgx.Tx) error {
		return outbox.Write(context.Background(), tx, "test.unheard", "test", "s", 1)
	})
	require.Error(t, err)
	require.Zero(t, kept(t, db))
}

func TestAFailureHoldsItsSubjectBackAndNoOther(t *testing.T) {
	c := newSettable()
	db := pgtest.NewAt(t, c)
	got := &received{fails: map[string]int{`"a1"`: 2}}
	outbox := newOutbox(db, consumer(got))
	for _, event := range []struct{ subject, payload string }{{"a", "a1"}, {"a", "a2"}, {"b", "b1"}, {"a", "a3"}, {"b", "b2"}} {
		write(t, db, outbox, event.subject, event.payload)
	}
	drain := func() { require.NoError(t, outbox.Drain(context.Background())) }

	drain()
	require.Equal(t, []string{`"a1"`, `"b1"`, `"b2"`}, got.payloads(), "a2 and a3 wait for a1")
	undelivered, failing := pending(t, outbox)
	require.EqualValues(t, 3, undelivered)
	require.EqualValues(t, 1, failing)

	drain()
	require.Len(t, got.payloads(), 3, "not before the wait is over")
	c.forward(500 * time.Millisecond)
	drain()
	require.Equal(t, `"a1"`, got.payloads()[3])
	c.forward(999 * time.Millisecond)
	drain()
	require.Len(t, got.payloads(), 4, "the second wait is twice as long")
	c.forward(time.Millisecond)
	drain()
	require.Equal(t, []string{`"a1"`, `"a2"`, `"a3"`}, got.payloads()[4:])
	undelivered, _ = pending(t, outbox)
	require.Zero(t, undelivered)
}

func TestTheWaitAfterFailuresIsBounded(t *testing.T) {
	c := newSettable()
	db := pgtest.NewAt(t, c)
	got := &received{fails: map[string]int{"1": 40}}
	outbox := newOutbox(db, consumer(got))
	write(t, db, outbox, "s", 1)
	for range 41 {
		require.NoError(t, outbox.Drain(context.Background()))
		c.forward(time.Minute)
	}
	require.Len(t, got.payloads(), 41)
	undelivered, _ := pending(t, outbox)
	require.Zero(t, undelivered)
}

func TestApplyTakesEffectExactlyOnce(t *testing.T) {
	c := newSettable()
	db := pgtest.NewAt(t, c)
	ctx := context.Background()
	attempts := 0
	outbox := newOutbox(db, postgres.Consumer{Name: "applier", Topics: []string{topic}, Apply: func(ctx context.Context, tx pgx.Tx, _ postgres.Event) error {
		attempts++
		_, err := tx.Exec(ctx, `INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, create_time) VALUES ($1, 'N', 'UTC', 'ZA', $2)`,
			fmt.Sprint("n", attempts), db.Now())
		if err != nil {
			return err
		}
		switch attempts {
		case 1:
			return errors.New("refused after the effect")
		case 2:
			_, err := tx.Exec(ctx, `SELECT 1 / 0`)
			return err
		}
		return nil
	}})
	effects := func() (ids []string) {
		rows, err := db.Query(ctx, `SELECT id FROM identity.nursery`)
		require.NoError(t, err)
		ids, err = pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err)
		return ids
	}
	write(t, db, outbox, "s", 1)
	for range 2 {
		require.NoError(t, outbox.Drain(ctx))
		require.Empty(t, effects(), "a failure leaves nothing behind")
		c.forward(time.Minute)
	}
	require.NoError(t, outbox.Drain(ctx))
	require.Equal(t, []string{"n3"}, effects())
	c.forward(time.Hour)
	require.NoError(t, outbox.Drain(ctx))
	require.Equal(t, []string{"n3"}, effects())
}

func TestAViolationThatShowsAtCommitIsNotedLikeAnyFailure(t *testing.T) {
	db := pgtest.New(t)
	pgtest.AddNursery(t, db)
	outbox := newOutbox(db, postgres.Consumer{Name: "applier", Topics: []string{topic}, Apply: func(ctx context.Context, tx pgx.Tx, _ postgres.Event) error {
		// An event of no program: its foreign key is checked at commit.
		_, err := tx.Exec(ctx, `INSERT INTO treatment.program_event (nursery, program, sequence, kind, event_time, create_time)
			VALUES ('test', 'none', 1, 'started', now(), now())`)
		return err
	}})
	write(t, db, outbox, "a", "1")
	require.NoError(t, outbox.Drain(context.Background()))
	undelivered, failing := pending(t, outbox)
	require.Equal(t, int64(1), undelivered)
	require.Equal(t, int64(1), failing, "it waits before another try")
}

func TestSendHappensAtLeastOnce(t *testing.T) {
	db := pgtest.New(t)
	ctx, crash := context.WithCancel(context.Background())
	got := &received{}
	outbox := newOutbox(db, postgres.Consumer{Name: "sender", Topics: []string{topic}, Send: func(ctx context.Context, event postgres.Event) error {
		crash() // the process dies after it sent and before it noted so
		return got.send(ctx, event)
	}})
	write(t, db, outbox, "s", 1)
	require.ErrorIs(t, outbox.Drain(ctx), context.Canceled)
	// PostgreSQL may take a moment to see that the dead process is gone, and until
	// then passes over the event that it held.
	require.Eventually(t, func() bool {
		return outbox.Drain(context.Background()) == nil && len(got.payloads()) == 2
	}, 30*time.Second, 10*time.Millisecond)
	require.Equal(t, []string{"1", "1"}, got.payloads())
	undelivered, _ := pending(t, outbox)
	require.Zero(t, undelivered)
}

// Two processes on one database, some of whose deliveries fail: nobody sees an
// event before an older one of its subject was delivered.
func TestTwoRelaysKeepTheOrderOfASubject(t *testing.T) {
	db := pgtest.New(t)
	const subjects, each = 6, 20
	var mu sync.Mutex
	delivered := map[string][]int{}
	tried := map[string]bool{}
	send := func(_ context.Context, event postgres.Event) error {
		var n int
		if err := json.Unmarshal(event.Payload, &n); err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		key := fmt.Sprint(event.Subject, n)
		if n == each/2 && !tried[key] {
			tried[key] = true
			return errors.New("the other side does not answer")
		}
		delivered[event.Subject] = append(delivered[event.Subject], n)
		return nil
	}
	second, err := postgres.Open(context.Background(), db.AppURL, clock.System{})
	require.NoError(t, err)
	t.Cleanup(second.Close)
	relays := []*postgres.Outbox{}
	for _, pool := range []*postgres.DB{db.DB, second} {
		relays = append(relays, postgres.NewOutbox(pool, slog.New(slog.DiscardHandler),
			postgres.Consumer{Name: "sender", Topics: []string{topic}, Send: send}))
	}
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	for _, relay := range relays {
		running.Go(func() { relay.Run(ctx) })
	}
	for n := range each {
		for s := range subjects {
			write(t, db, relays[n%2], fmt.Sprintf("subject-%d", s), n)
		}
	}
	eventually(t, "everything is delivered", func() bool {
		undelivered, _ := pending(t, relays[0])
		return undelivered == 0
	})
	stop()
	running.Wait()
	require.Len(t, delivered, subjects)
	for subject, numbers := range delivered {
		require.Len(t, numbers, each, subject)
		for i, n := range numbers {
			require.Equal(t, i, n, "%s: %v", subject, numbers)
		}
	}
	require.Zero(t, kept(t, db))
}

// Two consumers that settle one event at the same moment must not each leave it
// to the other to remove.
func TestAnEventGoesWithItsLastDelivery(t *testing.T) {
	db := pgtest.New(t)
	var meet sync.WaitGroup
	meet.Add(2)
	both := func(_ context.Context, _ pgx.Tx, _ postgres.Event) error {
		meet.Done()
		meet.Wait()
		return nil
	}
	outbox := newOutbox(db,
		postgres.Consumer{Name: "one", Topics: []string{topic}, Apply: both},
		postgres.Consumer{Name: "other", Topics: []string{topic}, Apply: both})
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { outbox.Run(ctx) })
	for range 25 {
		write(t, db, outbox, "s", 1)
		eventually(t, "both have it", func() bool {
			undelivered, _ := pending(t, outbox)
			return undelivered == 0
		})
		meet.Add(2)
	}
	stop()
	running.Wait()
	require.Zero(t, kept(t, db))
}
