package report

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// randomUse has each fact or has it not, by the toss of a coin.
func randomUse(t *testing.T, r *rand.Rand) Use {
	t.Helper()
	use, some := fullUse(t), func() bool { return r.IntN(2) == 0 }
	for _, text := range []*string{
		&use.House, &use.Application, &use.Product, &use.HouseName, &use.Place, &use.LegalLocation, &use.SiteID, &use.FacilityID, &use.Setting, &use.Method,
		&use.ProductName, &use.RegistrationNumber, &use.SafetyDataSheet, &use.Applicator.Name, &use.Applicator.Certificate, &use.Supervisor.Name,
		&use.Supervisor.Certificate, &use.BBCH, &use.Target, &use.Actives[0].Name, &use.Actives[0].FRAC, &use.Crops[0].Name, &use.Crops[0].EPPO,
	} {
		if some() {
			*text = []string{"", " ", "\t\n", "\x00"}[r.IntN(4)]
		}
	}
	for _, q := range []*quantity.Quantity{&use.Treated, &use.Planted, &use.Plants, &use.MixVolume, &use.Amount, &use.RestrictedEntryInterval} {
		if some() {
			*q = []quantity.Quantity{{}, quantity.Must("0", quantity.Gram), quantity.Must("-1", quantity.Litre)}[r.IntN(3)]
		}
	}
	if some() {
		use.Crops = nil
	}
	if some() {
		use.Actives = nil
	}
	if some() {
		use.Start = time.Time{}
	}
	use.ForHire, use.TimeLimited, use.StageLimited = Answer(r.IntN(3)), Answer(r.IntN(3)), Answer(r.IntN(3))
	use.RestrictedUse = some()
	return use
}

func TestNoFieldOfARandomUseIsBlankAndEveryGapSaysWhereItIsMended(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 26))
	for range 300 {
		use := randomUse(t, r)
		for _, kind := range Kinds() {
			nursery := nurseryFor(t, kind.ID)
			period, err := Month(2026, time.March, nursery.Zone)
			require.NoError(t, err)
			document, err := Build(kind, nursery, period, []Use{use})
			require.NoError(t, err)
			for _, row := range document.Uses.Rows {
				for i, cell := range row.Cells {
					require.NotEmpty(t, clean(cell.Text), document.Uses.Columns[i].ID)
				}
			}
			for _, gap := range document.Gaps {
				require.NotEmpty(t, gap.Fix)
				require.NotEmpty(t, gap.FixField)
				require.NotEmpty(t, gap.Section)
			}
		}
	}
}

// A use belongs to the local day on which it ended: at the end of a month, on a leap day,
// and in the hours in which the clocks change.
func TestTheLocalDayOfAUseDecidesItsMonth(t *testing.T) {
	for _, c := range []struct {
		name, start, end string
		month            time.Month
		year             int
		first, last      string
	}{
		{"the last minute of March in Los Angeles is in April in UTC", "2026-04-01T06:00:00Z", "2026-04-01T06:59:00Z", time.March, 2026,
			"2026-03-31 23:00 -07:00", "2026-03-31 23:59 -07:00"},
		{"a leap day", "2028-02-29T20:00:00Z", "2028-03-01T07:59:00Z", time.February, 2028, "2028-02-29 12:00 -08:00", "2028-02-29 23:59 -08:00"},
		{"the clocks go forward", "2026-03-08T09:30:00Z", "2026-03-08T10:30:00Z", time.March, 2026, "2026-03-08 01:30 -08:00", "2026-03-08 03:30 -07:00"},
		{"the clocks go back", "2026-11-01T08:30:00Z", "2026-11-01T09:30:00Z", time.November, 2026, "2026-11-01 01:30 -07:00", "2026-11-01 01:30 -08:00"},
	} {
		kind, nursery := kindOf(t, "us-ca-monthly-use"), nurseryFor(t, "us-ca-monthly-use")
		use := fullUse(t)
		use.Start, use.End = moment(t, c.start), moment(t, c.end)
		for offset, uses := range map[int]int{-1: 0, 0: 1, 1: 0} {
			at := time.Date(c.year, c.month+time.Month(offset), 1, 0, 0, 0, 0, time.UTC)
			period, err := Month(at.Year(), at.Month(), nursery.Zone)
			require.NoError(t, err)
			document, err := Build(kind, nursery, period, []Use{use})
			require.NoError(t, err)
			require.Len(t, document.Uses.Rows, uses, c.name)
			require.Empty(t, document.Gaps, c.name)
			if uses == 0 {
				continue
			}
			var texts []string
			for _, cell := range document.Uses.Rows[0].Cells {
				texts = append(texts, cell.Text)
			}
			require.Contains(t, texts, c.first, c.name)
			require.Contains(t, texts, c.last, c.name)
		}
	}
}
