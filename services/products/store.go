package products

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

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

// ReadProducts returns all products of a nursery by id, as they stand at one
// moment.
func ReadProducts(ctx context.Context, r postgres.Reader, nursery string) ([]Product, error) {
	rows, err := r.Query(ctx, selectProducts+` ORDER BY p.id COLLATE "C"`, pgx.NamedArgs{"nursery": nursery})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	products, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Product, error) {
		product, err := scanStored(row)
		return product.Product, err
	})
	return products, postgres.Translate(err)
}

// selectProducts reads whole products in one statement, so that their contents
// and directions are those of one moment. Amounts travel as text: JSON numbers
// would pass through floats.
const selectProducts = `
	SELECT p.id, p.display_name, p.registration_number, p.form, p.restricted_use, p.version, p.create_time,
		coalesce(p.formulation, ''), p.jurisdiction, coalesce(p.registration_expire_date::text, ''),
		coalesce(p.toxicity_category, ''), p.cost::text, p.cost_currency, p.cost_per::text, p.cost_per_unit,
		coalesce(p.respirator, ''), coalesce(p.double_notification, ''), coalesce(p.inhalation_limited, ''),
		p.inhalation_level_ppm::text, coalesce(p.organophosphate, ''), p.first_aid, p.safety_data_sheet,
		coalesce(p.time_limited, ''), coalesce(p.stage_limited, ''),
		(SELECT coalesce(jsonb_agg(jsonb_build_object(
				'active_ingredient', c.active_ingredient, 'amount', c.amount::text, 'unit', c.unit) ORDER BY c.position), '[]')
			FROM products.content c WHERE c.nursery = p.nursery AND c.product = p.id),
		(SELECT coalesce(jsonb_agg(jsonb_build_object(
				'method', d.method, 'classes', d.classes, 'disorders', d.disorders, 'crops', d.crops, 'sites', d.sites,
				'rate_min', d.rate_min::text, 'rate_max', d.rate_max::text, 'rate_unit', d.rate_unit,
				'water_volume_min', d.water_volume_min::text, 'water_volume_max', d.water_volume_max::text,
				'water_volume_unit', d.water_volume_unit, 'restricted_entry_hours', d.restricted_entry_hours::text,
				'min_interval_days', d.min_interval_days, 'max_per_crop_cycle', d.max_per_crop_cycle,
				'max_per_year', d.max_per_year, 'max_consecutive', d.max_consecutive,
				'sale_interval_days', d.sale_interval_days, 'temperature_min_cel', d.temperature_min_cel::text,
				'temperature_max_cel', d.temperature_max_cel::text, 'open_bloom', d.open_bloom,
				'chemigation', d.chemigation, 'protective_equipment', d.protective_equipment, 'silent_on', d.silent_on,
				'active_limits', (SELECT coalesce(jsonb_agg(jsonb_build_object(
						'active_ingredient', l.active_ingredient, 'amount', l.most_per_year::text, 'unit', l.unit)
						ORDER BY l.position), '[]')
					FROM products.active_limit l
					WHERE l.nursery = d.nursery AND l.product = d.product AND l.direction = d.position)
				) ORDER BY d.position), '[]')
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

// lockProducts holds all products of a nursery until the transaction ends and
// returns them by id.
func lockProducts(ctx context.Context, tx pgx.Tx, nursery string) (map[string]Product, error) {
	_, err := tx.Exec(ctx, `SELECT FROM products.product WHERE nursery = $1 ORDER BY id FOR UPDATE`, nursery)
	if err != nil {
		return nil, err
	}
	products, err := ReadProducts(ctx, tx, nursery)
	if err != nil {
		return nil, err
	}
	byID := map[string]Product{}
	for _, product := range products {
		byID[product.ID] = product
	}
	return byID, nil
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

func insertProduct(ctx context.Context, tx pgx.Tx, nursery string, product Product, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, formulation,
			jurisdiction, registration_expire_date, toxicity_category, cost, cost_currency, cost_per, cost_per_unit,
			respirator, double_notification, inhalation_limited, inhalation_level_ppm, organophosphate, first_aid,
			safety_data_sheet, time_limited, stage_limited, create_time)
		VALUES (@nursery, @id, @display_name, @registration_number, @form, @restricted_use, @formulation,
			@jurisdiction, @registration_expire_date::date, @toxicity_category, @cost::numeric, @cost_currency,
			@cost_per::numeric, @cost_per_unit,
			@respirator, @double_notification, @inhalation_limited, @inhalation_level::numeric, @organophosphate, @first_aid,
			@safety_data_sheet, @time_limited, @stage_limited, @now)`,
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
	if err := checkForm(ctx, tx, nursery, product); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `
		UPDATE products.product SET display_name = @display_name, registration_number = @registration_number,
			form = @form, restricted_use = @restricted_use, formulation = @formulation, jurisdiction = @jurisdiction,
			registration_expire_date = @registration_expire_date::date, toxicity_category = @toxicity_category,
			cost = @cost::numeric, cost_currency = @cost_currency, cost_per = @cost_per::numeric,
			cost_per_unit = @cost_per_unit, respirator = @respirator, double_notification = @double_notification,
			inhalation_limited = @inhalation_limited, inhalation_level_ppm = @inhalation_level::numeric,
			organophosphate = @organophosphate, first_aid = @first_aid, safety_data_sheet = @safety_data_sheet,
			time_limited = @time_limited, stage_limited = @stage_limited, version = version + 1
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
	args["formulation"], args["jurisdiction"] = orNull(formulationText(product.Formulation)), product.Jurisdiction
	args["registration_expire_date"] = orNull(product.RegistrationExpireDate)
	args["toxicity_category"] = orNull(toxicityText(product.ToxicityCategory))
	args["cost"], args["cost_currency"] = nil, orNull(product.Cost.Currency)
	if product.Cost.Currency != "" {
		args["cost"] = product.Cost.Amount.String()
	}
	args["cost_per"], args["cost_per_unit"] = amountOrNull(product.CostPer), orNull(string(product.CostPer.Unit))
	args["respirator"] = orNull(answerText(product.Respirator))
	args["double_notification"] = orNull(answerText(product.DoubleNotification))
	args["inhalation_limited"] = orNull(answerText(product.InhalationLimited))
	args["inhalation_level"] = amountOrNull(product.InhalationLevel)
	args["organophosphate"] = orNull(answerText(product.Organophosphate))
	args["first_aid"], args["safety_data_sheet"] = product.FirstAid, product.SafetyDataSheet
	args["time_limited"] = orNull(answerText(product.TimeLimited))
	args["stage_limited"] = orNull(answerText(product.StageLimited))
	return args
}

// orNull is how a row keeps a text that may be missing.
func orNull(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

// amountOrNull is how a row keeps an amount that may be missing.
func amountOrNull(q quantity.Quantity) *string {
	if q.IsZero() {
		return nil
	}
	plain := q.Plain()
	return &plain
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
		batch.Queue(insertDirection, directionArgs(nursery, product.ID, i, direction))
		for j, limit := range direction.ActiveLimits {
			batch.Queue(`
				INSERT INTO products.active_limit (nursery, product, direction, position, active_ingredient, most_per_year, unit)
				VALUES (@nursery, @product, @direction, @position, @active_ingredient, @most_per_year::numeric, @unit)`,
				pgx.NamedArgs{
					"nursery": nursery, "product": product.ID, "direction": i, "position": j,
					"active_ingredient": limit.ActiveIngredient,
					"most_per_year":     limit.MostPerYear.Plain(), "unit": string(limit.MostPerYear.Unit),
				})
		}
	}
	return tx.SendBatch(ctx, batch).Close()
}
