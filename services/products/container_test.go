package products

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
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
	} {
		t.Run(test.name, func(t *testing.T) {
			amount, err := inBase(quantity.Must(test.amount, quantity.Millilitre))
			require.NoError(t, err)
			takings, err := takingsOf(test.containers, test.named, amount, "2026-03-10")
			require.NoError(t, err)
			got := amounts{}
			for _, taking := range takings {
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
	const today = "2026-03-10"
	containers := []Container{
		can(t, "below", "-3", "2026-02-10", "2026-02-20"),
		can(t, "empty", "0", "2026-02-10", "2026-02-20"),
		can(t, "fine", "5", "2026-02-10", "2026-04-10"),
		can(t, "last-day", "5", "2026-02-10", "2026-03-10"),
		can(t, "over", "5", "2026-02-10", "2026-03-09"),
		can(t, "soon", "5", "2026-02-10", "2026-04-09"),
		can(t, "undated", "5", "", ""),
	}
	other := can(t, "alone", "5", "", "2026-03-01")
	other.Product = "other"
	findings, err := storeFindings("test", append(containers, other), today)
	require.NoError(t, err)
	type short struct {
		product, field, rule string
		refuses              bool
	}
	var got []short
	for _, finding := range findings {
		got = append(got, short{finding.GetProduct(), finding.GetField(), finding.GetRule(), finding.GetRefuses()})
		require.NotEmpty(t, finding.GetMessage())
		require.NotEmpty(t, finding.GetSource())
	}
	const liquid = "nurseries/test/products/liquid"
	require.Equal(t, []short{
		{liquid, "containers/below", "container-count-due", false},
		{liquid, "containers/last-day", "container-expires", false},
		{liquid, "containers/over", "container-expired", false},
		{liquid, "containers/soon", "container-expires", false},
		{"nurseries/test/products/other", "containers/alone", "container-expired", true},
	}, got, "another product's containers in date do not help")
}
