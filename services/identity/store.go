package identity

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// ReadNursery returns a nursery by its id, or a NotFound fault.
func ReadNursery(ctx context.Context, r postgres.Reader, id string) (Nursery, error) {
	row, err := readNursery(ctx, r, id, "")
	return row.Nursery, err
}

// ReadPerson returns a person by nursery and id, or a NotFound fault. Disabled
// people are returned too: records go on naming them.
func ReadPerson(ctx context.Context, r postgres.Reader, nursery, id string) (Person, error) {
	row, err := readPerson(ctx, r, nursery, id, "")
	return row.Person, err
}

// nurseryRow is a nursery with what only its own service shows.
type nurseryRow struct {
	Nursery
	version    int64
	createTime time.Time
}

// personRow is a person with what only this service shows.
type personRow struct {
	Person
	nursery    string
	version    int64
	createTime time.Time
}

// Row locks, appended to a query. An update takes the first; it lets other
// tables go on referring to the row.
const forUpdate = " FOR NO KEY UPDATE"

func readNursery(ctx context.Context, r postgres.Reader, id, lock string) (nurseryRow, error) {
	row := nurseryRow{Nursery: Nursery{ID: id}}
	var zoneName string
	err := r.QueryRow(ctx, `
		SELECT display_name, time_zone, jurisdiction, address, operator_id, county, emergency_phone, emergency_care,
			version, create_time
		FROM identity.nursery WHERE id = $1`+lock, id).
		Scan(&row.DisplayName, &zoneName, &row.Jurisdiction, &row.Address, &row.OperatorID, &row.County,
			&row.EmergencyPhone, &row.EmergencyCare, &row.version, &row.createTime)
	if postgres.NoRows(err) {
		return nurseryRow{}, fault.Missing("nursery", nurseryName(id))
	}
	if err != nil {
		return nurseryRow{}, postgres.Translate(err)
	}
	row.Zone, err = zone("time_zone", zoneName)
	return row, err
}

func insertNursery(ctx context.Context, tx pgx.Tx, n Nursery, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, operator_id, county,
			emergency_phone, emergency_care, create_time)
		VALUES (@id, @display_name, @time_zone, @jurisdiction, @address, @operator_id, @county,
			@emergency_phone, @emergency_care, @now)`,
		nurseryArgs(n, pgx.NamedArgs{"now": now}))
	if postgres.Violates(err, "nursery_pk") {
		return fault.New(fault.Exists, fault.SetupRefused, "the nursery %q was set up before", nurseryName(n.ID)).
			With("name", nurseryName(n.ID))
	}
	return err
}

func updateNursery(ctx context.Context, tx pgx.Tx, row nurseryRow) error {
	_, err := tx.Exec(ctx, `
		UPDATE identity.nursery
		SET display_name = @display_name, time_zone = @time_zone, jurisdiction = @jurisdiction, address = @address,
			operator_id = @operator_id, county = @county, emergency_phone = @emergency_phone, emergency_care = @emergency_care,
			version = @version
		WHERE id = @id`, nurseryArgs(row.Nursery, pgx.NamedArgs{"version": row.version}))
	return err
}

func nurseryArgs(n Nursery, args pgx.NamedArgs) pgx.NamedArgs {
	args["id"], args["display_name"], args["time_zone"] = n.ID, n.DisplayName, n.Zone.String()
	args["jurisdiction"], args["address"] = n.Jurisdiction, n.Address
	args["operator_id"], args["county"] = n.OperatorID, n.County
	args["emergency_phone"], args["emergency_care"] = n.EmergencyPhone, n.EmergencyCare
	return args
}

// selectPerson reads people with their certificates and qualifications; scanPerson takes a row.
const selectPerson = `
	SELECT p.nursery, p.id, p.display_name, p.role, p.disabled, p.version, p.create_time, coalesce((
		SELECT jsonb_agg(jsonb_build_object(
			'number', c.number, 'category', c.category, 'expire_date', to_char(c.expire_date, 'YYYY-MM-DD'))
			ORDER BY c.position)
		FROM identity.certificate c WHERE c.nursery = p.nursery AND c.person = p.id), '[]'), coalesce((
		SELECT jsonb_agg(jsonb_build_object(
			'kind', q.kind, 'date', to_char(q.date, 'YYYY-MM-DD'), 'end_date', coalesce(to_char(q.end_date, 'YYYY-MM-DD'), ''),
			'description', q.description, 'provider', q.provider) ORDER BY q.date, q.id)
		FROM identity.qualification q WHERE q.nursery = p.nursery AND q.person = p.id AND q.void_time IS NULL), '[]')
	FROM identity.person p`

func scanPerson(row pgx.Row) (personRow, error) {
	var p personRow
	var role string
	var qualifications []struct {
		Kind        string `json:"kind"`
		Date        string `json:"date"`
		EndDate     string `json:"end_date"`
		Description string `json:"description"`
		Provider    string `json:"provider"`
	}
	err := row.Scan(&p.nursery, &p.ID, &p.DisplayName, &role, &p.Disabled, &p.version, &p.createTime, &p.Certificates, &qualifications)
	p.Role = roleOf(role)
	for _, q := range qualifications {
		p.Qualifications = append(p.Qualifications, Qualification{
			Kind: kindOf(q.Kind), Date: q.Date, EndDate: q.EndDate, Description: q.Description, Provider: q.Provider,
		})
	}
	return p, err
}

func readPerson(ctx context.Context, r postgres.Reader, nursery, id, lock string) (personRow, error) {
	row, err := scanPerson(r.QueryRow(ctx, selectPerson+` WHERE p.nursery = $1 AND p.id = $2`+lock, nursery, id))
	if postgres.NoRows(err) {
		return personRow{}, fault.Missing("person", personName(nursery, id))
	}
	return row, postgres.Translate(err)
}

// listPeople returns up to limit people whose id comes after one.
func listPeople(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]personRow, error) {
	rows, err := r.Query(ctx, selectPerson+` WHERE p.nursery = $1 AND p.id > $2 ORDER BY p.id LIMIT $3`, nursery, after, limit)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	people, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (personRow, error) { return scanPerson(row) })
	return people, postgres.Translate(err)
}

func insertPerson(ctx context.Context, tx pgx.Tx, nursery string, p Person, passwordHash string, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO identity.person (nursery, id, display_name, role, password_hash, disabled, create_time)
		VALUES (@nursery, @id, @display_name, @role, @password_hash, @disabled, @now)`,
		pgx.NamedArgs{"nursery": nursery, "id": p.ID, "display_name": p.DisplayName, "role": storedRole(p.Role),
			"password_hash": passwordHash, "disabled": p.Disabled, "now": now})
	if postgres.Violates(err, "person_pk") {
		name := personName(nursery, p.ID)
		return fault.FieldReason(fault.Exists, fault.AlreadyExists, "person_id", "there is a person %q already", name).With("name", name)
	}
	if err != nil {
		return err
	}
	return insertCertificates(ctx, tx, nursery, p)
}

func insertCertificates(ctx context.Context, tx pgx.Tx, nursery string, p Person) error {
	for position, c := range p.Certificates {
		_, err := tx.Exec(ctx, `
			INSERT INTO identity.certificate (nursery, person, position, number, category, expire_date)
			VALUES (@nursery, @person, @position, @number, @category, @expire_date::text::date)`,
			pgx.NamedArgs{"nursery": nursery, "person": p.ID, "position": position,
				"number": c.Number, "category": c.Category, "expire_date": c.ExpireDate})
		if err != nil {
			return err
		}
	}
	return nil
}

// updatePerson writes a person and replaces their certificates. An empty
// password hash keeps the old one.
func updatePerson(ctx context.Context, tx pgx.Tx, row personRow, passwordHash string) error {
	args := pgx.NamedArgs{"nursery": row.nursery, "id": row.ID, "display_name": row.DisplayName, "role": storedRole(row.Role),
		"disabled": row.Disabled, "version": row.version, "password_hash": passwordHash}
	_, err := tx.Exec(ctx, `
		UPDATE identity.person
		SET display_name = @display_name, role = @role, disabled = @disabled, version = @version,
		    password_hash = coalesce(nullif(@password_hash::text, ''), password_hash)
		WHERE nursery = @nursery AND id = @id`, args)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM identity.certificate WHERE nursery = @nursery AND person = @id`, args); err != nil {
		return err
	}
	return insertCertificates(ctx, tx, row.nursery, row.Person)
}

// anotherOwner reports whether somebody else is an enabled owner. The caller
// holds the nursery's row, so that two owners cannot demote each other at once.
func anotherOwner(ctx context.Context, tx pgx.Tx, nursery, id string) (bool, error) {
	var found bool
	err := tx.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM identity.person
			WHERE nursery = $1 AND id <> $2 AND role = 'OWNER' AND NOT disabled)`, nursery, id).Scan(&found)
	return found, err
}

// readPasswordHash returns the hash of a person who may sign in, or "" when
// there is none.
func readPasswordHash(ctx context.Context, r postgres.Reader, nursery, id string) (string, error) {
	var hash string
	err := r.QueryRow(ctx, `
		SELECT password_hash FROM identity.person WHERE nursery = $1 AND id = $2 AND NOT disabled`, nursery, id).Scan(&hash)
	if postgres.NoRows(err) {
		return "", nil
	}
	return hash, postgres.Translate(err)
}

// insertToken keeps a token if the person is still enabled and the password
// still the one that was verified; it reports whether it did. FOR SHARE waits
// for a change under way, which would otherwise miss this token when it ends them all.
func insertToken(ctx context.Context, tx pgx.Tx, t tokenRow, verifiedHash string) (bool, error) {
	tag, err := tx.Exec(ctx, `
		INSERT INTO identity.token (hash, nursery, person, create_time, expire_time)
		SELECT @hash, p.nursery, p.id, @now, @expire FROM identity.person p
		WHERE p.nursery = @nursery AND p.id = @person AND NOT p.disabled AND p.password_hash = @verified
		FOR SHARE OF p`,
		pgx.NamedArgs{"hash": t.hash, "nursery": t.nursery, "person": t.person, "now": t.createTime, "expire": t.expireTime, "verified": verifiedHash})
	return tag.RowsAffected() == 1, err
}

type tokenRow struct {
	hash                   []byte
	nursery, person        string
	createTime, expireTime time.Time
}

func deleteExpiredTokens(ctx context.Context, tx pgx.Tx, nursery, person string, now time.Time) error {
	_, err := tx.Exec(ctx, `DELETE FROM identity.token WHERE nursery = $1 AND person = $2 AND expire_time <= $3`, nursery, person, now)
	return err
}

func deleteToken(ctx context.Context, tx pgx.Tx, hash []byte) error {
	_, err := tx.Exec(ctx, `DELETE FROM identity.token WHERE hash = $1`, hash)
	return err
}

func deleteTokensOf(ctx context.Context, tx pgx.Tx, nursery, person string) error {
	_, err := tx.Exec(ctx, `DELETE FROM identity.token WHERE nursery = $1 AND person = $2`, nursery, person)
	return err
}

// readHolder returns who holds a token, and false for one that is unknown,
// expired or of a disabled person.
func readHolder(ctx context.Context, r postgres.Reader, hash []byte, now time.Time) (rpc.Principal, bool, error) {
	var holder rpc.Principal
	var role string
	err := r.QueryRow(ctx, `
		SELECT t.nursery, t.person, p.role
		FROM identity.token t JOIN identity.person p ON p.nursery = t.nursery AND p.id = t.person
		WHERE t.hash = $1 AND t.expire_time > $2 AND NOT p.disabled`, hash, now).
		Scan(&holder.Nursery, &holder.Person, &role)
	if postgres.NoRows(err) {
		return rpc.Principal{}, false, nil
	}
	holder.Role = roleOf(role)
	return holder, err == nil, postgres.Translate(err)
}

func nurseryName(id string) string { return resource.Of("nurseries", id) }

func personName(nursery, id string) string { return resource.Of("nurseries", nursery, "people", id) }
