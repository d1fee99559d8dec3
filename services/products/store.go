package products

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
)

// stored is a product with what its row keeps beside it.
type stored struct {
	Product
	version    int64
	createTime time.Time
}

// ReadProduct returns a product by nursery and id, or a NotFound fault.
func ReadProduct(ctx context.Context, r postgres.Reader, nursery, id string) (Product, error) {
	product, err := readStored(ctx, r, nursery, id)
	return product.Product, err
}

// selectProducts reads whole products in one statement, so that their contents
// and directions are those of one moment. Amounts travel as text: JSON numbers
// would pass through floats.
const selectProducts = `
	SELECT p.id, p.display_name, p.registration_number, p.form, p.restricted_use, p.version, p.create_time,
		(SELECT coalesce(jsonb_agg(jsonb_build_object(
				'active_ingredient', c.active_ingredient, 'amount', c.amount::text, 'unit', c.unit) ORDER BY c.position), '[]')
			FROM products.content c WHERE c.nursery = p.nursery AND c.product = p.id),
		(SELECT coalesce(jsonb_agg(jsonb_build_object(
				'method', d.method, 'classes', d.classes, 'rate_min', d.rate_min::text, 'rate_max', d.rate_max::text,
				'rate_unit', d.rate_unit, 'restricted_entry_hours', d.restricted_entry_hours::text,
				'min_interval_days', d.min_interval_days, 'protective_equipment', d.protective_equipment) ORDER BY d.position), '[]')
			FROM products.direction d WHERE d.nursery = p.nursery AND d.product = p.id)
	FROM products.product p
	WHERE p.nursery = @nursery`

func readStored(ctx context.Context, r postgres.Reader, nursery, id string) (stored, error) {
	rows, err := r.Query(ctx, selectProducts+` AND p.id = @id`, pgx.NamedArgs{"nursery": nursery, "id": id})
	if err != nil {
		return stored{}, postgres.Translate(err)
	}
	product, err := pgx.CollectExactlyOneRow(rows, scanStored)
	if postgres.NoRows(err) {
		return stored{}, fault.Missing("product", resource.Of("nurseries", nursery, "products", id))
	}
	return product, postgres.Translate(err)
}

// lockProduct holds the product's row until the transaction ends.
func lockProduct(ctx context.Context, tx pgx.Tx, nursery, id string) (stored, error) {
	_, err := tx.Exec(ctx, `SELECT FROM products.product WHERE nursery = $1 AND id = $2 FOR UPDATE`, nursery, id)
	if err != nil {
		return stored{}, err
	}
	return readStored(ctx, tx, nursery, id)
}

func listProducts(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]stored, error) {
	rows, err := r.Query(ctx, selectProducts+` AND p.id COLLATE "C" > @after ORDER BY p.id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	products, err := pgx.CollectRows(rows, scanStored)
	return products, postgres.Translate(err)
}

// contentRow and directionRow are the JSON that selectProducts builds.
type contentRow struct {
	ActiveIngredient string        `json:"active_ingredient"`
	Amount           string        `json:"amount"`
	Unit             quantity.Unit `json:"unit"`
}

type directionRow struct {
	Method               string        `json:"method"`
	Classes              []string      `json:"classes"`
	RateMin              string        `json:"rate_min"`
	RateMax              string        `json:"rate_max"`
	RateUnit             quantity.Unit `json:"rate_unit"`
	RestrictedEntryHours *string       `json:"restricted_entry_hours"`
	MinIntervalDays      int32         `json:"min_interval_days"`
	ProtectiveEquipment  string        `json:"protective_equipment"`
}

func scanStored(row pgx.CollectableRow) (stored, error) {
	var (
		product    stored
		form       string
		contents   []contentRow
		directions []directionRow
	)
	err := row.Scan(&product.ID, &product.DisplayName, &product.RegistrationNumber, &form, &product.RestrictedUse,
		&product.version, &product.createTime, &contents, &directions)
	if err != nil {
		return stored{}, err
	}
	if product.Form, err = parseForm(form); err != nil {
		return stored{}, fmt.Errorf("product %s: %w", product.ID, err)
	}
	for _, row := range contents {
		amount, err := quantity.New(row.Amount, row.Unit)
		if err != nil {
			return stored{}, fmt.Errorf("product %s: %w", product.ID, err)
		}
		product.Contents = append(product.Contents, Content{ActiveIngredient: row.ActiveIngredient, Amount: amount})
	}
	for _, row := range directions {
		direction, err := row.direction()
		if err != nil {
			return stored{}, fmt.Errorf("product %s: %w", product.ID, err)
		}
		product.Directions = append(product.Directions, direction)
	}
	return product, nil
}

func (row directionRow) direction() (Direction, error) {
	direction := Direction{MinIntervalDays: row.MinIntervalDays, ProtectiveEquipment: row.ProtectiveEquipment}
	var err error
	if direction.Method, err = ParseMethod(row.Method); err != nil {
		return Direction{}, err
	}
	direction.Classes = make([]diagnosisv1.DisorderClass, len(row.Classes))
	for i, text := range row.Classes {
		if direction.Classes[i], err = parseClass(text); err != nil {
			return Direction{}, err
		}
	}
	if direction.RateMin, err = quantity.New(row.RateMin, row.RateUnit); err != nil {
		return Direction{}, err
	}
	if direction.RateMax, err = quantity.New(row.RateMax, row.RateUnit); err != nil {
		return Direction{}, err
	}
	if row.RestrictedEntryHours != nil {
		direction.RestrictedEntryInterval, err = quantity.New(*row.RestrictedEntryHours, quantity.Hour)
	}
	return direction, err
}

func insertProduct(ctx context.Context, tx pgx.Tx, nursery string, product Product, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, create_time)
		VALUES (@nursery, @id, @display_name, @registration_number, @form, @restricted_use, @now)`,
		productArgs(nursery, product, pgx.NamedArgs{"now": now}))
	if postgres.Violates(err, "product_pk") {
		name := resource.Of("nurseries", nursery, "products", product.ID)
		return fault.FieldReason(fault.Exists, fault.AlreadyExists, "product_id", "there is a product %q already", name).
			With("name", name)
	}
	if err != nil {
		return err
	}
	return insertLabel(ctx, tx, nursery, product)
}

func updateProduct(ctx context.Context, tx pgx.Tx, nursery string, product Product) error {
	_, err := tx.Exec(ctx, `
		UPDATE products.product SET display_name = @display_name, registration_number = @registration_number,
			form = @form, restricted_use = @restricted_use, version = version + 1
		WHERE nursery = @nursery AND id = @id`, productArgs(nursery, product, pgx.NamedArgs{}))
	if err != nil {
		return err
	}
	for _, table := range []string{"content", "direction"} {
		_, err := tx.Exec(ctx, `DELETE FROM products.`+table+` WHERE nursery = $1 AND product = $2`, nursery, product.ID)
		if err != nil {
			return err
		}
	}
	return insertLabel(ctx, tx, nursery, product)
}

func productArgs(nursery string, product Product, args pgx.NamedArgs) pgx.NamedArgs {
	args["nursery"], args["id"] = nursery, product.ID
	args["display_name"], args["registration_number"] = product.DisplayName, product.RegistrationNumber
	args["form"], args["restricted_use"] = formText(product.Form), product.RestrictedUse
	return args
}

// insertLabel writes the contents and directions of a product that has none.
func insertLabel(ctx context.Context, tx pgx.Tx, nursery string, product Product) error {
	batch := &pgx.Batch{}
	for i, content := range product.Contents {
		batch.Queue(`
			INSERT INTO products.content (nursery, product, position, active_ingredient, amount, unit)
			VALUES (@nursery, @product, @position, @active_ingredient, @amount::numeric, @unit)`,
			pgx.NamedArgs{
				"nursery": nursery, "product": product.ID, "position": i, "active_ingredient": content.ActiveIngredient,
				"amount": content.Amount.Plain(), "unit": string(content.Amount.Unit),
			})
	}
	for i, direction := range product.Directions {
		batch.Queue(`
			INSERT INTO products.direction (nursery, product, position, method, classes, rate_min, rate_max, rate_unit,
				restricted_entry_hours, min_interval_days, protective_equipment)
			VALUES (@nursery, @product, @position, @method, @classes, @rate_min::numeric, @rate_max::numeric, @rate_unit,
				@restricted_entry_hours::numeric, @min_interval_days, @protective_equipment)`,
			directionArgs(nursery, product.ID, i, direction))
	}
	return tx.SendBatch(ctx, batch).Close()
}

func directionArgs(nursery, product string, position int, direction Direction) pgx.NamedArgs {
	classes := make([]string, len(direction.Classes))
	for i, class := range direction.Classes {
		classes[i] = classText(class)
	}
	var entryHours *string
	if !direction.RestrictedEntryInterval.IsZero() {
		hours := direction.RestrictedEntryInterval.Plain()
		entryHours = &hours
	}
	return pgx.NamedArgs{
		"nursery": nursery, "product": product, "position": position,
		"method": MethodText(direction.Method), "classes": classes,
		"rate_min": direction.RateMin.Plain(), "rate_max": direction.RateMax.Plain(), "rate_unit": string(direction.RateMin.Unit),
		"restricted_entry_hours": entryHours, "min_interval_days": direction.MinIntervalDays,
		"protective_equipment": direction.ProtectiveEquipment,
	}
}
