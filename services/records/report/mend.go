package report

import (
	"cmp"
	"path"
	"strings"
)

// Mend is where a missing or doubtful fact is put right.
type Mend struct {
	// Resource is the name of what holds the fact, and Field the field of it.
	Resource string
	Field    string
	// Command enters it, with capitals where something is filled in; empty where nobody
	// can: what was applied against what is not changed afterwards.
	Command string
}

// mending tells where a fact is put right.
type mending func(Nursery, Use) Mend

// A missing fact is put right on the resource that holds it, else on the entry, else on
// the nursery.

// onNursery mends a field of the nursery; the flag is named as the field.
func onNursery(field, fill string) mending {
	return func(n Nursery, _ Use) Mend {
		return Mend{Resource: n.Name, Field: field, Command: "velamen nursery update " + flagOf(field) + " " + fill}
	}
}

// onDutySettings mends what is asked of the nursery itself: the answer counts for all its
// uses.
func onDutySettings(field, fill string) mending {
	return func(n Nursery, _ Use) Mend {
		return Mend{Resource: n.Name + "/dutySettings", Field: field, Command: "velamen records duty-settings " + flagOf(field) + " " + fill}
	}
}

func onHouse(field, fill string) mending {
	return func(n Nursery, u Use) Mend {
		if u.House == "" {
			return onEntry(field, fill)(n, u)
		}
		return Mend{Resource: u.House, Field: field, Command: "velamen stock house update " + path.Base(u.House) + " " + flagOf(field) + " " + fill}
	}
}

// onEntry mends by a correction: the entry itself is never changed.
func onEntry(field, fill string) mending {
	return func(n Nursery, u Use) Mend {
		if u.Entry == "" {
			return Mend{Resource: cmp.Or(u.Application, n.Name), Field: field}
		}
		return Mend{
			Resource: u.Entry, Field: field,
			Command: "velamen records correct " + path.Base(u.Entry) + " " + flagOf(field) + " " + fill + " --note WHY",
		}
	}
}

// onProduct mends a product, of which a file is the whole.
func onProduct(field string) mending {
	return func(n Nursery, u Use) Mend {
		if u.Product == "" {
			return Mend{Resource: cmp.Or(u.Entry, n.Name), Field: field}
		}
		return Mend{Resource: u.Product, Field: field, Command: "velamen products update " + path.Base(u.Product) + " --file FILE"}
	}
}

func onApplicator(field, fill string) mending {
	return func(n Nursery, u Use) Mend { return onPerson(u.Applicator, field, fill)(n, u) }
}

func onPerson(of Person, field, fill string) mending {
	return func(n Nursery, u Use) Mend {
		if of.Resource == "" {
			return Mend{Resource: cmp.Or(u.Application, u.Entry, n.Name), Field: field}
		}
		return Mend{Resource: of.Resource, Field: field, Command: "velamen people update " + path.Base(of.Resource) + " " + flagOf(field) + " " + fill}
	}
}

// onApplication is for what an application says and no correction changes.
func onApplication(field string) mending {
	return func(n Nursery, u Use) Mend {
		return Mend{Resource: cmp.Or(u.Application, u.Entry, n.Name), Field: field}
	}
}

// onLot mends the EPPO code of the first crop that lacks it: on a lot of that crop, else
// on the entry.
func onLot(n Nursery, u Use) Mend {
	for _, crop := range u.Crops {
		if clean(crop.EPPO) == "" && crop.Lot != "" {
			return Mend{Resource: crop.Lot, Field: "eppo_code", Command: "velamen stock lot update " + path.Base(crop.Lot) + " --eppo-code CODE"}
		}
	}
	return onEntry("crop_codes", `"CROP=CODE"`)(n, u)
}

// flags are those that are not named as their field.
var flags = map[string]string{
	"start_time": "--start", "end_time": "--end", "mix_volume": "--mix", "crop_codes": "--crop-code",
}

func flagOf(field string) string {
	return cmp.Or(flags[field], "--"+strings.ReplaceAll(field, "_", "-"))
}
