package products

import (
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
)

// can is a container of 1 L that came on the first of February 2026.
func can(t *testing.T, id, left, opened, expires string) Container {
	t.Helper()
	c := Container{
		Product: "liquid", ID: id, Size: quantity.Must("1", quantity.Litre),
		ReceiveDate: "2026-02-01", OpenDate: opened, ExpireDate: expires,
	}
	held, err := inBase(quantity.Must(left, quantity.Millilitre))
	require.NoError(t, err)
	require.NoError(t, c.hold(held))
	return c
}

func TestWhichContainersAnApplicationTakesFrom(t *testing.T) {
	discarded := func(c Container) Container {
		c.Discarded = true
		return c
	}
	came := func(day string, c Container) Container {
		c.ReceiveDate = day
		return c
	}
	at := time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)
	counted := func(hours int, c Container) Container {
		c.counted = at.Add(time.Duration(hours) * time.Hour)
		return c
	}
	type amounts map[string]string
	for _, test := range []struct {
		name       string
		containers []Container
		named      string
		amount     string
		want       amounts
	}{
		{"none is on the books", nil, "", "50", amounts{}},
		{"the only one", []Container{can(t, "a", "100", "", "")}, "", "50", amounts{"a": "50"}},
		{"an open one before a sealed one that expires sooner",
			[]Container{can(t, "a", "100", "", "2026-04-01"), can(t, "b", "100", "2026-02-10", "2026-05-01")}, "", "50", amounts{"b": "50"}},
		{"the one that expires sooner",
			[]Container{can(t, "a", "100", "", ""), can(t, "b", "100", "", "2026-05-01"), can(t, "c", "100", "", "2026-04-01")}, "", "50", amounts{"c": "50"}},
		{"the lesser id among equals", []Container{can(t, "b", "100", "", ""), can(t, "a", "100", "", "")}, "", "50", amounts{"a": "50"}},
		{"one after the other as far as they hold",
			[]Container{can(t, "a", "30", "2026-02-10", ""), can(t, "b", "100", "", ""), can(t, "c", "100", "", "")}, "", "140",
			amounts{"a": "30", "b": "100", "c": "10"}},
		{"exactly what is there", []Container{can(t, "a", "30", "", ""), can(t, "b", "20", "", "")}, "", "50", amounts{"a": "30", "b": "20"}},
		{"the rest from the last that held anything",
			[]Container{can(t, "a", "30", "", ""), can(t, "b", "20", "", ""), can(t, "c", "0", "", "")}, "", "60", amounts{"a": "30", "b": "30"}},
		{"below zero from the last when all are empty", []Container{can(t, "a", "0", "", ""), can(t, "b", "-5", "", "")}, "", "60", amounts{"b": "60"}},
		{"one that had expired only when there is no other",
			[]Container{can(t, "a", "100", "2026-02-10", "2026-03-09"), can(t, "b", "20", "", "")}, "", "50", amounts{"b": "50"}},
		{"one that expires on the day is in date",
			[]Container{can(t, "a", "100", "2026-02-10", "2026-03-10"), can(t, "b", "20", "", "")}, "", "50", amounts{"a": "50"}},
		{"all have expired", []Container{can(t, "a", "100", "", "2026-03-09")}, "", "50", amounts{"a": "50"}},
		{"one that came later only when there is no other",
			[]Container{came("2026-03-11", can(t, "a", "100", "", "")), can(t, "b", "20", "", "")}, "", "50", amounts{"b": "50"}},
		{"all came later", []Container{came("2026-03-11", can(t, "a", "100", "", ""))}, "", "50", amounts{"a": "50"}},
		{"never one that was disposed of", []Container{discarded(can(t, "a", "100", "", "")), can(t, "b", "20", "", "")}, "", "50", amounts{"b": "50"}},
		{"a named one, even below zero", []Container{can(t, "a", "100", "", ""), can(t, "b", "20", "", "")}, "b", "50", amounts{"b": "50"}},
		{"a named one that has expired", []Container{can(t, "a", "100", "", ""), can(t, "b", "20", "", "2026-02-20")}, "b", "50", amounts{"b": "50"}},
		{"a named one that was disposed of gives nothing", []Container{can(t, "a", "100", "", ""), discarded(can(t, "b", "0", "", ""))}, "b", "50", amounts{}},
		{"a count before the work changes nothing", []Container{counted(-1, can(t, "a", "100", "", ""))}, "", "50", amounts{"a": "50"}},
		{"a count after the work has it already", []Container{counted(1, can(t, "a", "100", "", ""))}, "", "50", amounts{"a": "seen"}},
		{"a named one that was counted after the work", []Container{counted(1, can(t, "a", "10", "", ""))}, "a", "50", amounts{"a": "seen"}},
		{"an empty one that was counted after the work gave it, and no other is opened for it",
			[]Container{counted(1, can(t, "a", "0", "2026-02-10", "")), can(t, "b", "100", "", "")}, "", "50", amounts{"a": "seen"}},
		{"what one that was not counted held goes out before",
			[]Container{can(t, "a", "30", "2026-02-10", ""), counted(1, can(t, "b", "100", "", ""))}, "", "50", amounts{"a": "30", "b": "seen"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			amount, err := inBase(quantity.Must(test.amount, quantity.Millilitre))
			require.NoError(t, err)
			takings, err := takingsOf(test.containers, test.named, amount, at, "2026-03-10")
			require.NoError(t, err)
			got := amounts{}
			for _, taking := range takings {
				if taking.seen {
					got[test.containers[taking.index].ID] = "seen"
					continue
				}
				got[test.containers[taking.index].ID] = taking.amount.Round().Plain()
			}
			require.Equal(t, test.want, got)
		})
	}
}

func TestTheBooksHoldEveryUnitExactly(t *testing.T) {
	for _, form := range []productsv1.ProductForm{productsv1.ProductForm_PRODUCT_FORM_SOLID, productsv1.ProductForm_PRODUCT_FORM_LIQUID} {
		for _, unit := range AmountUnits(form) {
			t.Run(string(unit), func(t *testing.T) {
				entered := quantity.Must("123456.654321", unit)
				base, err := inBase(entered)
				require.NoError(t, err)
				text, err := exactText(base)
				require.NoError(t, err)
				kept, err := exactOf(text, unit)
				require.NoError(t, err)
				back, err := kept.In(unit)
				require.NoError(t, err)
				require.Zero(t, back.Amount().Cmp(entered.Exact().Amount()))
				require.Equal(t, form, Container{Size: entered}.form())
			})
		}
	}
	_, err := exactText(quantity.ExactOf(big.NewRat(1, 3), quantity.Gram))
	require.Error(t, err, "the books take no third of a gram")
}

func TestContainersThatNeedAttention(t *testing.T) {
	johannesburg, err := time.LoadLocation("Africa/Johannesburg")
	require.NoError(t, err)
	now := time.Date(2026, 3, 9, 22, 30, 0, 0, time.UTC).In(johannesburg)
	findings := checkStore([]Container{
		can(t, "below", "-3", "2026-02-10", "2026-02-20"),
		can(t, "empty", "0", "2026-02-10", "2026-02-20"),
		can(t, "fine", "5", "2026-02-10", "2026-04-10"),
		can(t, "last-day", "5", "2026-02-10", "2026-03-10"),
		can(t, "over", "5", "2026-02-10", "2026-03-09"),
		can(t, "soon", "5", "2026-02-10", "2026-04-09"),
		can(t, "undated", "5", "", ""),
	}, now)
	var got []string
	for _, finding := range findings {
		got = append(got, finding.Field+" "+finding.Rule)
		require.False(t, finding.Refuses, "others are in date")
		require.NotEmpty(t, finding.Message)
		require.NotEmpty(t, finding.Source)
	}
	require.Equal(t, []string{
		"containers/below container-count-due", "containers/last-day container-expires",
		"containers/over container-expired", "containers/soon container-expires",
	}, got)

	findings = checkStore([]Container{can(t, "over", "5", "", "2026-03-01"), can(t, "empty", "0", "", "2026-12-31")}, now)
	require.Len(t, findings, 1)
	require.True(t, findings[0].Refuses, "nothing is left that may be used")
}

func FuzzCalendarDay(f *testing.F) {
	for _, seed := range []string{"2026-03-01", "2026-02-29", "0000-01-01", "2026-3-1", "", "９999-01-01"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		read, err := calendarDay("day", &typev1.Date{Value: text})
		if err != nil {
			return
		}
		require.Len(t, read, len(time.DateOnly), "days compare as texts")
		parsed, err := time.Parse(time.DateOnly, read)
		require.NoError(t, err)
		require.Equal(t, read, parsed.Format(time.DateOnly))
	})
}
