package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
	"velamen/services/stock"
)

func TestAWayCountsInBothDirections(t *testing.T) {
	in := smallNursery(t, pruning("a", 10))
	in.Houses = nil
	for _, house := range []string{"h1", "h2", "h3"} {
		in.Houses = append(in.Houses, HousePlace{House: stock.House{ID: house, DisplayName: house}})
	}
	in.Settings.DefaultWalkMinutes, in.Settings.Walks = 3, []Walk{{House: "h1", OtherHouse: "h2", Minutes: 9}}
	require.Equal(t, [][]model.Minute{{0, 9, 3}, {9, 0, 3}, {3, 3, 0}}, compile(in).problem.Travel)
}
