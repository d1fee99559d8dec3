package products

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
)

// ReadStore returns what the chemical store holds of products by their ids. A
// product of which no container was ever entered is not counted.
func ReadStore(ctx context.Context, r postgres.Reader, nursery string, productIDs []string) (map[string]StoreOf, error) {
	rows, err := r.Query(ctx, `
		SELECT p.id, `+containerColumns+`
		FROM (SELECT DISTINCT product AS id FROM products.container
			WHERE nursery = @nursery AND product = ANY(@products)) p
		LEFT JOIN products.container c
			ON c.nursery = @nursery AND c.product = p.id AND NOT c.discarded AND c.remaining > 0
		ORDER BY p.id, c.open_date IS NULL, c.expire_date NULLS LAST, c.id COLLATE "C"`,
		pgx.NamedArgs{"nursery": nursery, "products": productIDs})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	store := make(map[string]StoreOf, len(productIDs))
	for _, id := range productIDs {
		store[id] = StoreOf{}
	}
	var id string
	var row containerRow
	_, err = pgx.ForEachRow(rows, append([]any{&id}, row.targets()...), func() error {
		of := store[id]
		of.Counted = true
		if row.id != nil {
			c, err := row.container()
			if err != nil {
				return err
			}
			// A rest that rounds to nothing is nothing.
			if c.Remaining.Positive() {
				of.Containers = append(of.Containers, c)
			}
		}
		store[id] = of
		return nil
	})
	return store, postgres.Translate(err)
}

// ReadContainer returns a container of a product by their ids, or a NotFound
// fault.
func ReadContainer(ctx context.Context, r postgres.Reader, nursery, product, id string) (Container, error) {
	return oneContainer(ctx, r, nursery, product, id, "")
}

// lockContainer is ReadContainer and keeps others from changing the container
// until the transaction ends.
func lockContainer(ctx context.Context, tx pgx.Tx, nursery, product, id string) (Container, error) {
	return oneContainer(ctx, tx, nursery, product, id, ` FOR NO KEY UPDATE`)
}

func oneContainer(ctx context.Context, r postgres.Reader, nursery, product, id, lock string) (Container, error) {
	containers, err := collectContainers(ctx, r, `
		SELECT `+containerColumns+` FROM products.container c
		WHERE c.nursery = @nursery AND c.product = @product AND c.id = @id`+lock,
		pgx.NamedArgs{"nursery": nursery, "product": product, "id": id})
	if err != nil {
		return Container{}, err
	}
	if len(containers) == 0 {
		return Container{}, fault.Missing("container", containerName(nursery, product, id))
	}
	return containers[0], nil
}

// lockContainers locks the containers of products that were not disposed of.
// Locks are taken in the order of names, so that applications of the same
// products wait for each other instead of deadlocking.
func lockContainers(ctx context.Context, tx pgx.Tx, nursery string, products []string) ([]Container, error) {
	return collectContainers(ctx, tx, `
		SELECT `+containerColumns+` FROM products.container c
		WHERE c.nursery = @nursery AND c.product = ANY(@products) AND NOT c.discarded
		ORDER BY c.product COLLATE "C", c.id COLLATE "C" FOR NO KEY UPDATE`,
		pgx.NamedArgs{"nursery": nursery, "products": products})
}

// readLastCounts sets when containers were counted last. The caller has locked
// them, and reads in a statement of its own what others wrote while it waited.
func readLastCounts(ctx context.Context, tx pgx.Tx, nursery string, containers []Container) error {
	products, ids := make([]string, len(containers)), make([]string, len(containers))
	for i, c := range containers {
		products[i], ids[i] = c.Product, c.ID
	}
	rows, err := tx.Query(ctx, `
		SELECT c.number, max(e.event_time)
		FROM unnest(@products::text[], @ids::text[]) WITH ORDINALITY AS c (product, id, number)
		JOIN products.container_event e
			ON e.nursery = @nursery AND e.product = c.product AND e.container = c.id AND e.kind = 'COUNTED'
		GROUP BY c.number`, pgx.NamedArgs{"nursery": nursery, "products": products, "ids": ids})
	if err != nil {
		return err
	}
	var number int
	var counted time.Time
	_, err = pgx.ForEachRow(rows, []any{&number, &counted}, func() error {
		containers[number-1].counted = counted
		return nil
	})
	return err
}

// listContainers returns containers by product and id in byte order, after one of
// them. The product may be resource.Any.
func listContainers(ctx context.Context, r postgres.Reader, nursery, product string, after [2]string, limit int) ([]Container, error) {
	return collectContainers(ctx, r, `
		SELECT `+containerColumns+` FROM products.container c
		WHERE c.nursery = @nursery AND (@product = @any OR c.product = @product)
		  AND (c.product COLLATE "C", c.id COLLATE "C") > (@after_product, @after_id)
		ORDER BY c.product COLLATE "C", c.id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "product": product, "any": resource.Any,
			"after_product": after[0], "after_id": after[1], "limit": limit})
}

// keptContainers returns the containers of a nursery of which the books say that
// they hold something, or less than nothing, by product.
func keptContainers(ctx context.Context, r postgres.Reader, nursery string) (map[string][]Container, error) {
	containers, err := collectContainers(ctx, r, `
		SELECT `+containerColumns+` FROM products.container c
		WHERE c.nursery = @nursery AND NOT c.discarded AND c.remaining <> 0
		ORDER BY c.id COLLATE "C"`,
		pgx.NamedArgs{"nursery": nursery})
	ofProduct := map[string][]Container{}
	for _, c := range containers {
		ofProduct[c.Product] = append(ofProduct[c.Product], c)
	}
	return ofProduct, err
}

func collectContainers(ctx context.Context, r postgres.Reader, sql string, args pgx.NamedArgs) ([]Container, error) {
	rows, err := r.Query(ctx, sql, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	var containers []Container
	var row containerRow
	_, err = pgx.ForEachRow(rows, row.targets(), func() error {
		c, err := row.container()
		containers = append(containers, c)
		return err
	})
	return containers, postgres.Translate(err)
}

const containerColumns = `c.product, c.id, c.batch, c.size::text, c.unit, c.receive_date::text, c.expire_date::text,
	c.open_date::text, c.place, c.remaining::text, c.discarded, c.create_time`

// containerRow is a row of containerColumns; all are nil where there is none.
type containerRow struct {
	product, id, batch, size, unit, received, expires, opened, place, remaining *string
	discarded                                                                   *bool
	createTime                                                                  *time.Time
}

func (row *containerRow) targets() []any {
	return []any{&row.product, &row.id, &row.batch, &row.size, &row.unit, &row.received, &row.expires,
		&row.opened, &row.place, &row.remaining, &row.discarded, &row.createTime}
}

func (row *containerRow) container() (Container, error) {
	c := Container{
		Product: *row.product, ID: *row.id, Batch: *row.batch, Place: *row.place, ReceiveDate: *row.received,
		ExpireDate: textOrEmpty(row.expires), OpenDate: textOrEmpty(row.opened),
		Discarded: *row.discarded, CreateTime: row.createTime.UTC(),
	}
	unit := quantity.Unit(*row.unit)
	size, err := exactOf(*row.size, unit)
	if err == nil {
		size, err = size.In(unit)
	}
	if err != nil {
		return Container{}, fmt.Errorf("container %s of %s: %w", c.ID, c.Product, err)
	}
	c.Size = size.Round()
	left, err := exactOf(*row.remaining, unit)
	if err == nil {
		err = c.hold(left)
	}
	if err != nil {
		return Container{}, fmt.Errorf("container %s of %s: %w", c.ID, c.Product, err)
	}
	return c, nil
}

func textOrEmpty(text *string) string {
	if text == nil {
		return ""
	}
	return *text
}

func containerName(nursery, product, id string) string {
	return resource.Of("nurseries", nursery, "products", product, "containers", id)
}

// keepForm reads the form of a product and keeps it from changing until the
// transaction ends: the books of its containers are in g or in mL.
func keepForm(ctx context.Context, tx pgx.Tx, nursery, product string) (productsv1.ProductForm, error) {
	var form string
	err := tx.QueryRow(ctx, `SELECT form FROM products.product WHERE nursery = $1 AND id = $2 FOR SHARE`, nursery, product).Scan(&form)
	if postgres.NoRows(err) {
		return 0, fault.Missing("product", resource.Of("nurseries", nursery, "products", product))
	}
	if err != nil {
		return 0, err
	}
	return parseForm(form)
}

// checkForm refuses to make a solid of a liquid or the other way round once
// containers of the product are on the books in g or mL. The caller has locked
// the product.
func checkForm(ctx context.Context, tx pgx.Tx, nursery string, product Product) error {
	var form string
	err := tx.QueryRow(ctx, `
		SELECT p.form FROM products.product p
		WHERE p.nursery = @nursery AND p.id = @id AND p.form <> @form
		  AND EXISTS (SELECT FROM products.container c WHERE c.nursery = p.nursery AND c.product = p.id)`,
		pgx.NamedArgs{"nursery": nursery, "id": product.ID, "form": formText(product.Form)}).Scan(&form)
	if postgres.NoRows(err) {
		return nil
	}
	if err != nil {
		return err
	}
	return fault.FieldReason(fault.Precondition, fault.InvalidField, "form",
		"must stay %s: containers of it are on the books; enter another product", word(form)).With("form", form)
}

// insertContainer adds an empty container: its first events fill and open it.
func insertContainer(ctx context.Context, tx pgx.Tx, nursery string, c Container) error {
	size, err := inBase(c.Size)
	if err != nil {
		return err
	}
	text, err := exactText(size)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO products.container (nursery, product, id, batch, size, unit, receive_date, expire_date, place, remaining, create_time)
		VALUES (@nursery, @product, @id, @batch, @size::text::numeric, @unit, @received::text::date, nullif(@expires, '')::date, @place, 0, @now)`,
		pgx.NamedArgs{"nursery": nursery, "product": c.Product, "id": c.ID, "batch": c.Batch, "size": text,
			"unit": string(c.Size.Unit), "received": c.ReceiveDate, "expires": c.ExpireDate, "place": c.Place, "now": c.CreateTime})
	if postgres.Violates(err, "container_pk") {
		name := containerName(nursery, c.Product, c.ID)
		return fault.FieldReason(fault.Exists, fault.AlreadyExists, "container_id", "there is a container %q already", name).
			With("name", name)
	}
	return err
}

// enter adds events and makes the containers that they are about what they say.
// The caller has locked the containers.
func enter(ctx context.Context, tx pgx.Tx, nursery string, events ...containerEvent) error {
	batch := &pgx.Batch{}
	for _, e := range events {
		change, err := exactText(e.change)
		if err != nil {
			return err
		}
		args := pgx.NamedArgs{"nursery": nursery, "product": e.product, "container": e.container, "kind": e.kind,
			"change": change, "application": nil, "line": nil, "note": e.note, "person": e.person, "time": e.time,
			"day": e.day}
		if e.application != "" {
			args["application"], args["line"] = e.application, e.line
		}
		batch.Queue(`
			INSERT INTO products.container_event (nursery, product, container, kind, change, application, line, note, person, event_time)
			VALUES (@nursery, @product, @container, @kind, @change::text::numeric, @application, @line, @note, @person, @time)`, args)
		batch.Queue(`
			UPDATE products.container SET remaining = remaining + @change::text::numeric, discarded = discarded OR @kind = 'DISCARDED',
				open_date = CASE WHEN @kind = 'OPENED' THEN @day::text::date ELSE open_date END
			WHERE nursery = @nursery AND product = @product AND id = @container`, args)
	}
	return tx.SendBatch(ctx, batch).Close()
}

// insertUsed notes what a line of an application used. It returns false when that
// was noted before.
func insertUsed(ctx context.Context, tx pgx.Tx, nursery string, e containerEvent) (bool, error) {
	amount, err := exactText(e.change)
	if err != nil {
		return false, err
	}
	tag, err := tx.Exec(ctx, `
		INSERT INTO products.used (nursery, application, line, product, amount, unit, person, use_time)
		VALUES (@nursery, @application, @line, @product, @amount::text::numeric, @unit, @person, @time)
		ON CONFLICT ON CONSTRAINT used_pk DO NOTHING`,
		pgx.NamedArgs{"nursery": nursery, "application": e.application, "line": e.line, "product": e.product,
			"amount": amount, "unit": string(e.change.Unit()), "person": e.person, "time": e.time})
	return tag.RowsAffected() == 1, err
}

// listContainerEvents returns what happened to a container in the order in which
// it was entered, after one event, with what was left each time.
func listContainerEvents(ctx context.Context, r postgres.Reader, nursery string, c Container, after int64, limit int) ([]containerEvent, error) {
	rows, err := r.Query(ctx, `
		SELECT id, kind, change::text, remaining::text, coalesce(application, ''), note, person, event_time
		FROM (SELECT *, sum(change) OVER (ORDER BY id) AS remaining FROM products.container_event
			WHERE nursery = @nursery AND product = @product AND container = @container) e
		WHERE id > @after ORDER BY id LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "product": c.Product, "container": c.ID, "after": after, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	events, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (containerEvent, error) {
		e := containerEvent{product: c.Product, container: c.ID}
		var change, remaining string
		err := row.Scan(&e.id, &e.kind, &change, &remaining, &e.application, &e.note, &e.person, &e.time)
		if err != nil {
			return containerEvent{}, err
		}
		e.time = e.time.UTC()
		if e.change, err = exactOf(change, c.Size.Unit); err != nil {
			return containerEvent{}, err
		}
		e.remaining, err = exactOf(remaining, c.Size.Unit)
		return e, err
	})
	return events, postgres.Translate(err)
}
