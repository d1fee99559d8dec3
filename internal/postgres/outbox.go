package postgres

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// Event is something that happened and must travel to another service or to a
// workflow.
type Event struct {
	// ID rises with every event.
	ID int64
	// Topic says what happened, for example "treatment.application_confirmed".
	Topic string
	// Nursery is the nursery's id.
	Nursery string
	// Subject is what it happened to, a resource name. A consumer gets the
	// events of one subject in the order in which they were written.
	Subject string
	// Payload is the topic's own JSON.
	Payload json.RawMessage
}

// Consumer receives the events of some topics. Exactly one of Apply and Send is
// set.
type Consumer struct {
	// Name is kept with undelivered events; never change it.
	Name string
	// Topics are those it wants.
	Topics []string
	// Apply changes the database in the transaction that marks the event
	// delivered, so its effect happens exactly once.
	Apply func(ctx context.Context, tx pgx.Tx, event Event) error
	// Send reaches outside the database; it may see an event again after a
	// crash and must recognise it.
	Send func(ctx context.Context, event Event) error
	// Parallel is how many subjects it is served at once; 0 leaves it to the
	// outbox. Each takes a connection while it delivers.
	Parallel int
}

func (c Consumer) parallel() int {
	if c.Parallel > 0 {
		return c.Parallel
	}
	return defaultParallel
}

// Outbox carries events from the transactions that write them to consumers.
type Outbox struct {
	db        *DB
	logger    *slog.Logger
	consumers []Consumer
	byTopic   map[string][]string
}

// NewOutbox returns an outbox with its consumers. Who consumes what is fixed
// when the process starts.
func NewOutbox(db *DB, logger *slog.Logger, consumers ...Consumer) *Outbox {
	byTopic := map[string][]string{}
	for _, consumer := range consumers {
		for _, topic := range consumer.Topics {
			byTopic[topic] = append(byTopic[topic], consumer.Name)
		}
	}
	return &Outbox{db: db, logger: logger, consumers: consumers, byTopic: byTopic}
}

// outboxChannel wakes the relay; PostgreSQL sends it when the transaction commits.
const outboxChannel = "velamen_outbox"

// Write adds an event in a transaction, for every consumer of its topic. The
// payload is written as JSON.
func (o *Outbox) Write(ctx context.Context, tx pgx.Tx, topic, nursery, subject string, payload any) error {
	consumers := o.byTopic[topic]
	if len(consumers) == 0 {
		return fmt.Errorf("nobody consumes the topic %q", topic)
	}
	body, err := json.Marshal(payload)
	if err != nil {
		return fmt.Errorf("payload of %s: %w", topic, err)
	}
	now := o.db.Now()
	_, err = tx.Exec(ctx, `
		WITH event AS (
			INSERT INTO foundation.outbox_event (topic, nursery, subject, payload, create_time)
			VALUES (@topic, @nursery, @subject, @payload, @now) RETURNING id
		)
		INSERT INTO foundation.outbox_delivery (event_id, consumer, subject, next_attempt)
		SELECT event.id, consumer, @subject, @now FROM event, unnest(@consumers::text[]) AS consumer`,
		pgx.NamedArgs{"topic": topic, "nursery": nursery, "subject": subject, "payload": body, "now": now, "consumers": consumers})
	if err != nil {
		return fmt.Errorf("write %s to the outbox: %w", topic, err)
	}
	_, err = tx.Exec(ctx, `SELECT pg_notify($1, consumer) FROM unnest($2::text[]) AS consumer`, outboxChannel, consumers)
	return err
}

// Pacing of the relay.
const (
	// sweepEvery finds events whose notification was lost.
	sweepEvery = 2 * time.Second
	// firstRetry and lastRetry bound the wait after a failed delivery.
	firstRetry = 500 * time.Millisecond
	lastRetry  = time.Minute
	// defaultParallel is how many subjects a consumer is served at once unless it
	// says so itself.
	defaultParallel = 4
)

// Run delivers events until the context ends. Several processes may run it on
// one database.
func (o *Outbox) Run(ctx context.Context) {
	bells := o.bells()
	var workers sync.WaitGroup
	workers.Go(func() { o.listen(ctx, bells) })
	for _, consumer := range o.consumers {
		for range consumer.parallel() {
			workers.Go(func() { o.serve(ctx, consumer, bells[consumer.Name]) })
		}
	}
	workers.Wait()
}

// Drain delivers what is due until nothing is left, for tests and orderly stops.
func (o *Outbox) Drain(ctx context.Context) error {
	for {
		delivered := false
		for _, consumer := range o.consumers {
			some, err := o.deliverOne(ctx, consumer)
			if err != nil {
				return err
			}
			delivered = delivered || some
		}
		if !delivered {
			return nil
		}
	}
}

// Pending counts undelivered events and those that failed at least once.
func (o *Outbox) Pending(ctx context.Context) (undelivered, failing int64, err error) {
	err = o.db.QueryRow(ctx, `SELECT count(*), count(*) FILTER (WHERE attempts > 0) FROM foundation.outbox_delivery`).
		Scan(&undelivered, &failing)
	return undelivered, failing, Translate(err)
}

func (o *Outbox) serve(ctx context.Context, consumer Consumer, bell <-chan struct{}) {
	for ctx.Err() == nil {
		delivered, err := o.deliverOne(ctx, consumer)
		if err != nil && ctx.Err() == nil {
			o.logger.Warn("outbox sweep failed", "consumer", consumer.Name, "error", err)
		}
		if delivered {
			continue
		}
		select {
		case <-ctx.Done():
		case <-bell:
		case <-time.After(sweepEvery):
		}
	}
}

// deliverOne takes the oldest due event whose subject has no older event
// waiting, and delivers it. The row lock lasts through the delivery, so that
// another process passes over it; when this one dies the lock goes with it.
func (o *Outbox) deliverOne(ctx context.Context, consumer Consumer) (delivered bool, err error) {
	err = pgx.BeginFunc(ctx, o.db.pool, func(tx pgx.Tx) error {
		event, found, err := o.take(ctx, tx, consumer.Name)
		if err != nil || !found {
			return err
		}
		delivered = true
		if failure := o.hand(ctx, tx, consumer, event); failure != nil {
			return o.postpone(ctx, tx, consumer.Name, event, failure)
		}
		return o.settle(ctx, tx, consumer.Name, event.ID)
	})
	return delivered && err == nil, err
}

func (o *Outbox) take(ctx context.Context, tx pgx.Tx, consumer string) (Event, bool, error) {
	var event Event
	err := tx.QueryRow(ctx, `
		SELECT e.id, e.topic, e.nursery, e.subject, e.payload
		FROM foundation.outbox_delivery d
		JOIN foundation.outbox_event e ON e.id = d.event_id
		WHERE d.consumer = @consumer AND d.next_attempt <= @now
		  AND NOT EXISTS (
			SELECT FROM foundation.outbox_delivery older
			WHERE older.consumer = d.consumer AND older.subject = d.subject AND older.event_id < d.event_id)
		ORDER BY d.event_id
		LIMIT 1
		FOR UPDATE OF d SKIP LOCKED`,
		pgx.NamedArgs{"consumer": consumer, "now": o.db.Now()}).
		Scan(&event.ID, &event.Topic, &event.Nursery, &event.Subject, &event.Payload)
	if NoRows(err) {
		return Event{}, false, nil
	}
	return event, err == nil, err
}

// hand runs the consumer. Apply runs under a savepoint, so that a failure can
// be noted in the same transaction. Deferred constraints are checked there too: at
// commit a violation would take the note with it, and the event would be tried
// again at once for ever.
func (o *Outbox) hand(ctx context.Context, tx pgx.Tx, consumer Consumer, event Event) error {
	if consumer.Send != nil {
		return consumer.Send(ctx, event)
	}
	return pgx.BeginFunc(ctx, tx, func(savepoint pgx.Tx) error {
		if err := consumer.Apply(ctx, savepoint, event); err != nil {
			return err
		}
		_, err := savepoint.Exec(ctx, `SET CONSTRAINTS ALL IMMEDIATE`)
		return err
	})
}

// settleLock is the class of the advisory locks that settle takes.
const settleLock = 0x6f75 // "ou"

// settle removes a delivery, and the event with its last one. Consumers of one
// event settle it one after the other: at the same moment each would still see
// the other's delivery, and the event would stay for ever.
func (o *Outbox) settle(ctx context.Context, tx pgx.Tx, consumer string, id int64) error {
	_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1::int, ($2::bigint % 2147483648)::int)`, settleLock, id)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `DELETE FROM foundation.outbox_delivery WHERE consumer = $1 AND event_id = $2`, consumer, id)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		DELETE FROM foundation.outbox_event e WHERE e.id = $1
		AND NOT EXISTS (SELECT FROM foundation.outbox_delivery d WHERE d.event_id = e.id)`, id)
	return err
}

func (o *Outbox) postpone(ctx context.Context, tx pgx.Tx, consumer string, event Event, failure error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	o.logger.Warn("outbox delivery failed", "consumer", consumer, "topic", event.Topic, "subject", event.Subject, "error", failure)
	_, err := tx.Exec(ctx, `
		UPDATE foundation.outbox_delivery
		SET attempts = attempts + 1, last_error = left(@failure, 2000),
		    next_attempt = @now::timestamptz + least(@last::interval, @first::interval * 2 ^ least(attempts, 10))
		WHERE consumer = @consumer AND event_id = @id`,
		pgx.NamedArgs{"failure": failure.Error(), "now": o.db.Now(), "first": firstRetry, "last": lastRetry, "consumer": consumer, "id": event.ID})
	return err
}

// listen rings a consumer's bell for every commit that wrote an event for it.
func (o *Outbox) listen(ctx context.Context, bells map[string]chan struct{}) {
	for ctx.Err() == nil {
		err := o.listenOnce(ctx, bells)
		if ctx.Err() != nil {
			return
		}
		o.logger.Warn("outbox lost its notifications; sweeping meanwhile", "error", err)
		select {
		case <-ctx.Done():
		case <-time.After(sweepEvery):
		}
	}
}

func (o *Outbox) listenOnce(ctx context.Context, bells map[string]chan struct{}) (err error) {
	conn, err := o.db.Acquire(ctx)
	if err != nil {
		return err
	}
	// The connection still listens, so it must not go back to the pool.
	raw := conn.Hijack()
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		err = errors.Join(err, raw.Close(closing))
	}()
	if _, err := raw.Exec(ctx, "LISTEN "+outboxChannel); err != nil {
		return err
	}
	for {
		notification, err := raw.WaitForNotification(ctx)
		if err != nil {
			return err
		}
		ring(bells[notification.Payload])
	}
}

// bells returns a bell for each consumer. A ring wakes one idle worker, which
// then delivers until nothing is left; rings for which nobody is idle are kept,
// as many as there are workers.
func (o *Outbox) bells() map[string]chan struct{} {
	bells := map[string]chan struct{}{}
	for _, consumer := range o.consumers {
		bells[consumer.Name] = make(chan struct{}, consumer.parallel())
	}
	return bells
}

// ring rings a bell; nil, a consumer of another process, is left alone.
func ring(bell chan struct{}) {
	select {
	case bell <- struct{}{}:
	default:
	}
}
