package products

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestWhatALabelListsCoversAPlant(t *testing.T) {
	for _, test := range []struct {
		name   string
		listed []string
		plant  string
		want   bool
	}{
		{"ornamentals are all plants", []string{"ornamentals"}, "Dischidia nummularia", true},
		{"an orchid", []string{"orchids"}, "Phalaenopsis amabilis", true},
		{"an orchid in capitals", []string{"Orchids"}, "PHALAENOPSIS", true},
		{"a hybrid genus of orchids", []string{"orchids"}, "× Brassolaeliocattleya", true},
		{"a hybrid genus written close", []string{"orchids"}, "×Mokara", true},
		{"a hybrid genus with the letter x", []string{"orchids"}, "x Aranda", true},
		{"a rose is no orchid", []string{"orchids"}, "Rosa chinensis", false},
		{"an orchid among others", []string{"cut-flowers", "orchids"}, "Vanda coerulea", true},
		{"a genus", []string{"Cymbidium"}, "Cymbidium lowianum", true},
		{"another genus", []string{"Cymbidium"}, "Cymbidiella pardalina", false},
		{"a species", []string{"Cymbidium lowianum"}, "Cymbidium lowianum 'Concolor'", true},
		{"another species", []string{"Cymbidium lowianum"}, "Cymbidium insigne", false},
		{"a species whose name goes on", []string{"Cymbidium lowi"}, "Cymbidium lowianum", false},
		{"nothing listed", nil, "Cymbidium lowianum", false},
		{"bedding plants", []string{"bedding-plants"}, "Petunia", true},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.want, CropListed(test.listed, test.plant))
		})
	}
}

func TestCropsAreListedInOneForm(t *testing.T) {
	for typed, want := range map[string]string{
		"Ornamentals": "ornamentals", "bedding plants": "bedding-plants", "Cut Flowers": "cut-flowers",
		"phalaenopsis": "Phalaenopsis", "CYMBIDIUM  lowianum": "Cymbidium lowianum", "× Mokara": "Mokara",
	} {
		crop, err := normalCrop(typed)
		require.NoError(t, err, typed)
		require.Equal(t, want, crop, typed)
	}
	for _, typed := range []string{"", " ", "Rosa; Lilium", "=Rosa", "Rosa 1", "-Rosa", "-", ".", "×", "x", "× -Mokara"} {
		_, err := normalCrop(typed)
		require.Error(t, err, typed)
	}
}

func TestCropsOverlap(t *testing.T) {
	for _, test := range []struct {
		name string
		a, b []string
		want bool
	}{
		{"no list is every crop", nil, []string{"Rosa"}, true},
		{"a group and its genus", []string{"orchids"}, []string{"Vanda"}, true},
		{"a genus and its species", []string{"Vanda coerulea"}, []string{"Vanda"}, true},
		{"groups with a genus in common", []string{"orchids"}, []string{"cut-flowers"}, true},
		{"groups without", []string{"orchids"}, []string{"ferns"}, false},
		{"two genera", []string{"Vanda"}, []string{"Rosa"}, false},
		{"everything and a group", []string{"ornamentals"}, []string{"ferns"}, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.want, cropsOverlap(test.a, test.b))
			require.Equal(t, test.want, cropsOverlap(test.b, test.a))
		})
	}
}

func TestCropGroupsNameTheirSource(t *testing.T) {
	groups := CropGroups()
	require.Greater(t, len(groups), 5)
	for _, group := range groups {
		require.NotEmpty(t, group.Source, group.ID)
		require.Equal(t, group.ID == Ornamentals, len(group.Genera) == 0, group.ID)
	}
}

func TestCropGroupsRefuse(t *testing.T) {
	for name, file := range map[string]string{
		"an unknown field":    "- {id: roses, source: s, colour: red}",
		"no source":           "- {id: roses, genera: [Rosa]}",
		"no genera":           "- {id: roses, source: s}",
		"a genus twice":       "- {id: roses, source: s, genera: [Rosa, Rosa]}",
		"a species":           "- {id: roses, source: s, genera: [Rosa chinensis]}",
		"a group twice":       "- {id: roses, source: s, genera: [Rosa]}\n- {id: roses, source: s, genera: [Rosa]}",
		"an id in upper case": "- {id: Roses, source: s, genera: [Rosa]}",
		"something else":      "{",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseCropGroups([]byte(file))
			require.Error(t, err)
		})
	}
}

func FuzzNormalCrop(f *testing.F) {
	for _, seed := range []string{"ornamentals", "× Mokara", "Cymbidium lowianum", "xx", "×"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		crop, err := normalCrop(text)
		if err != nil {
			return
		}
		again, err := normalCrop(crop)
		require.NoError(t, err)
		require.Equal(t, crop, again, "what is normal stays as it is")
	})
}
