package resource_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
	"velamen/internal/resource"
)

func TestParseReturnsTheIDsInOrder(t *testing.T) {
	ids, err := resource.Parse("name", "nurseries/vanda/houses/h1/benches/b03", "nurseries", "houses", "benches")
	require.NoError(t, err)
	require.Equal(t, []string{"vanda", "h1", "b03"}, ids)
}

func TestParseNamesFieldAndPattern(t *testing.T) {
	for _, name := range []string{
		"", "nurseries", "nurseries/", "nurseries/vanda", "nurseries/vanda/houses/H1",
		"nurseries/vanda/houses/h1/", "nurseries/vanda/benches/h1", "nurseries/vanda/houses/-",
		"nurseries/vanda/houses/../x", "nurseries/van da/houses/h1",
	} {
		_, err := resource.Parse("parent", name, "nurseries", "houses")
		require.True(t, fault.Is(err, fault.InvalidField), name)
		f, _ := fault.As(err)
		require.Equal(t, "parent", f.Field)
		require.Equal(t, "nurseries/{id}/houses/{id}", f.Values["pattern"])
	}
}

func TestOnlyTheLastIDOfAParentMayStandForAll(t *testing.T) {
	ids, err := resource.ParseParent("parent", "nurseries/vanda/houses/-", "nurseries", "houses")
	require.NoError(t, err)
	require.Equal(t, []string{"vanda", resource.Any}, ids)
	_, err = resource.ParseParent("parent", "nurseries/-/houses/-", "nurseries", "houses")
	require.Error(t, err)
}

func FuzzParseGivesBackTheName(f *testing.F) {
	f.Add("nurseries/vanda/lots/l-1")
	f.Add("nurseries//lots/")
	f.Fuzz(func(t *testing.T, name string) {
		ids, err := resource.Parse("name", name, "nurseries", "lots")
		if err != nil {
			return
		}
		require.Equal(t, name, resource.Of("nurseries", ids[0], "lots", ids[1]))
		nursery, ok := resource.NurseryOf(name)
		require.True(t, ok)
		require.Equal(t, ids[0], nursery)
	})
}
