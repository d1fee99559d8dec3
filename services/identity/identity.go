// Package identity knows the nurseries, the people who work in them and what
// each may do: it sets a nursery up, keeps its people, signs them in and tells
// who holds a token.
package identity

import (
	"strings"
	"time"
	_ "time/tzdata" // a container without the system's time zones still counts a nursery's days
	"unicode"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
)

// Nursery is one business.
type Nursery struct {
	// ID is the last part of its name.
	ID string
	// DisplayName is what people call it.
	DisplayName string
	// Zone is the time zone in which its days are counted.
	Zone *time.Location
	// Jurisdiction is the law that applies: an ISO 3166-1 country, or a 3166-2
	// subdivision of one, whose part after the hyphen is held to its form only.
	Jurisdiction string
	// Address is the postal address that stands on records; may be empty.
	Address string
	// OperatorID is the number that the authority gave the operator of the property, in
	// California the county (3 CCR 6622), and County the one that use is reported to;
	// empty when not entered.
	OperatorID, County string
	// EmergencyPhone is the telephone number of medical care nearby, and EmergencyCare
	// its name and address; empty when not entered.
	EmergencyPhone, EmergencyCare string
}

// checkReported refuses what would break a line of a display or a use report, or
// stand in it without being read.
func (n Nursery) checkReported() error {
	for _, line := range []struct{ field, text string }{
		{"operator_id", n.OperatorID}, {"county", n.County},
		{"emergency_phone", n.EmergencyPhone}, {"emergency_care", n.EmergencyCare},
	} {
		field := "nursery." + line.field
		if strings.ContainsFunc(line.text, unicode.IsControl) {
			return fault.Field(field, "must be one line without control characters")
		}
		if strings.TrimSpace(line.text) != line.text {
			return fault.Field(field, "must not begin or end with a space")
		}
	}
	return nil
}

// Person works in a nursery.
type Person struct {
	// ID is the last part of their name, and their login.
	ID string
	// DisplayName is how they stand on records.
	DisplayName string
	// Role says what they may do.
	Role identityv1.Role
	// Certificates are those they hold, in the order in which they were entered.
	Certificates []Certificate
	// Qualifications are those that stand, by the day on which they were given.
	Qualifications []Qualification
	// Disabled is true when they no longer work here and cannot sign in.
	Disabled bool
}

// Certificate shows that its holder may apply restricted products.
type Certificate struct {
	// Number on the certificate.
	Number string `json:"number"`
	// Category as the authority names it; may be empty.
	Category string `json:"category"`
	// ExpireDate is the last day on which it is valid in the nursery's zone,
	// YYYY-MM-DD.
	ExpireDate string `json:"expire_date"`
}

// enabledOwner reports whether the person can still run the nursery.
func (p Person) enabledOwner() bool {
	return p.Role == identityv1.Role_ROLE_OWNER && !p.Disabled
}

// zone loads an IANA time zone. The empty name and "Local" are refused: they
// would mean whatever the server's machine is set to.
func zone(field, name string) (*time.Location, error) {
	refused := fault.Field(field, "%q is not an IANA time zone like Africa/Johannesburg", name).With("time_zone", name)
	if name == "" || name == "Local" {
		return nil, refused
	}
	location, err := time.LoadLocation(name)
	if err != nil {
		return nil, refused.Because(err)
	}
	return location, nil
}

// checkCertificate refuses a certificate whose last day is not in the calendar.
func checkCertificate(field string, c *identityv1.Certificate) error {
	day := c.GetExpireDate().GetValue()
	date, err := time.Parse(time.DateOnly, day)
	if err != nil || date.Year() < 1 {
		return fault.Field(field+".expire_date", "%q is not a day of the calendar (YYYY-MM-DD)", day).With("expire_date", day)
	}
	return nil
}

const rolePrefix = "ROLE_"

// storedRole is how a role stands in the database.
func storedRole(role identityv1.Role) string { return strings.TrimPrefix(role.String(), rolePrefix) }

func roleOf(stored string) identityv1.Role {
	return identityv1.Role(identityv1.Role_value[rolePrefix+stored])
}
