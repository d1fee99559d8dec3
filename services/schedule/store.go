package schedule

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/services/products"
)

// stored is a sprayer with what its row keeps beside it.
type stored struct {
	Sprayer
	version    int64
	createTime time.Time
}

const selectSprayers = `
	SELECT id, display_name, tank_volume_l::text, methods, out_of_service,
		smallest_load_l::text, graduation_l::text, output_per_minute_l::text, plants_per_hour, mix_minutes,
		rinse_minutes, rinse_volume_l::text, version, create_time
	FROM schedule.sprayer WHERE nursery = @nursery`

func scanSprayer(row pgx.CollectableRow) (stored, error) {
	var (
		sprayer                             stored
		volume                              string
		methods                             []string
		smallest, graduation, output, rinse *string
	)
	err := row.Scan(&sprayer.ID, &sprayer.DisplayName, &volume, &methods, &sprayer.OutOfService,
		&smallest, &graduation, &output, &sprayer.PlantsPerHour, &sprayer.MixMinutes,
		&sprayer.RinseMinutes, &rinse, &sprayer.version, &sprayer.createTime)
	if err != nil {
		return stored{}, err
	}
	for _, amount := range []struct {
		text *string
		into *quantity.Quantity
	}{
		{&volume, &sprayer.TankVolume}, {smallest, &sprayer.SmallestLoad}, {graduation, &sprayer.Graduation},
		{output, &sprayer.OutputPerMinute}, {rinse, &sprayer.RinseVolume},
	} {
		if amount.text == nil {
			continue
		}
		if *amount.into, err = quantity.New(*amount.text, quantity.Litre); err != nil {
			return stored{}, fmt.Errorf("sprayer %s: %w", sprayer.ID, err)
		}
	}
	sprayer.Methods = make([]productsv1.Method, len(methods))
	for i, text := range methods {
		if sprayer.Methods[i], err = products.ParseMethod(text); err != nil {
			return stored{}, fmt.Errorf("sprayer %s: %w", sprayer.ID, err)
		}
	}
	return sprayer, nil
}

func querySprayers(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]stored, error) {
	rows, err := r.Query(ctx, selectSprayers+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	sprayers, err := pgx.CollectRows(rows, scanSprayer)
	return sprayers, postgres.Translate(err)
}

// readSprayer returns a sprayer or a NotFound fault. lock is empty or a locking
// clause.
func readSprayer(ctx context.Context, r postgres.Reader, nursery, id, lock string) (stored, error) {
	sprayers, err := querySprayers(ctx, r, ` AND id = @id `+lock, pgx.NamedArgs{"nursery": nursery, "id": id})
	if err != nil {
		return stored{}, err
	}
	if len(sprayers) == 0 {
		return stored{}, fault.Missing("sprayer", sprayerName(nursery, id))
	}
	return sprayers[0], nil
}

func listSprayers(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]stored, error) {
	return querySprayers(ctx, r, ` AND id COLLATE "C" > @after ORDER BY id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// inService returns the sprayers that can be used, by name.
func inService(ctx context.Context, r postgres.Reader, nursery string) ([]Sprayer, error) {
	rows, err := querySprayers(ctx, r, ` AND NOT out_of_service ORDER BY id COLLATE "C"`, pgx.NamedArgs{"nursery": nursery})
	if err != nil {
		return nil, err
	}
	sprayers := make([]Sprayer, len(rows))
	for i, row := range rows {
		sprayers[i] = row.Sprayer
	}
	return sprayers, nil
}

func insertSprayer(ctx context.Context, tx pgx.Tx, nursery string, sprayer Sprayer, now time.Time) error {
	args := sprayerArgs(nursery, sprayer)
	args["now"] = now
	_, err := tx.Exec(ctx, `
		INSERT INTO schedule.sprayer (nursery, id, display_name, tank_volume_l, methods, out_of_service,
			smallest_load_l, graduation_l, output_per_minute_l, plants_per_hour, mix_minutes, rinse_minutes, rinse_volume_l, create_time)
		VALUES (@nursery, @id, @display_name, @tank_volume_l::numeric, @methods, @out_of_service,
			@smallest_load_l::numeric, @graduation_l::numeric, @output_per_minute_l::numeric, @plants_per_hour, @mix_minutes,
			@rinse_minutes, @rinse_volume_l::numeric, @now)`, args)
	if postgres.Violates(err, "sprayer_pk") {
		name := sprayerName(nursery, sprayer.ID)
		return fault.FieldReason(fault.Exists, fault.AlreadyExists, "sprayer_id", "there is a sprayer %q already", name).With("name", name)
	}
	return err
}

func updateSprayer(ctx context.Context, tx pgx.Tx, nursery string, sprayer Sprayer) error {
	_, err := tx.Exec(ctx, `
		UPDATE schedule.sprayer SET display_name = @display_name, tank_volume_l = @tank_volume_l::numeric,
			methods = @methods, out_of_service = @out_of_service, smallest_load_l = @smallest_load_l::numeric,
			graduation_l = @graduation_l::numeric, output_per_minute_l = @output_per_minute_l::numeric,
			plants_per_hour = @plants_per_hour, mix_minutes = @mix_minutes, rinse_minutes = @rinse_minutes,
			rinse_volume_l = @rinse_volume_l::numeric, version = version + 1
		WHERE nursery = @nursery AND id = @id`, sprayerArgs(nursery, sprayer))
	return err
}

func sprayerArgs(nursery string, sprayer Sprayer) pgx.NamedArgs {
	methods := make([]string, len(sprayer.Methods))
	for i, method := range sprayer.Methods {
		methods[i] = products.MethodText(method)
	}
	return pgx.NamedArgs{
		"nursery": nursery, "id": sprayer.ID, "display_name": sprayer.DisplayName,
		"tank_volume_l": sprayer.TankVolume.Plain(), "methods": methods, "out_of_service": sprayer.OutOfService,
		"smallest_load_l": plainOrNull(sprayer.SmallestLoad), "graduation_l": plainOrNull(sprayer.Graduation),
		"output_per_minute_l": plainOrNull(sprayer.OutputPerMinute), "plants_per_hour": sprayer.PlantsPerHour,
		"mix_minutes": sprayer.MixMinutes, "rinse_minutes": sprayer.RinseMinutes, "rinse_volume_l": plainOrNull(sprayer.RinseVolume),
	}
}

// plainOrNull writes an amount that is not known as nothing.
func plainOrNull(q quantity.Quantity) *string {
	if q.IsZero() {
		return nil
	}
	plain := q.Plain()
	return &plain
}
