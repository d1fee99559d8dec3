package products

import (
	"testing"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
)

const (
	fungus    = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
	oomycete  = diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE
	bacterium = diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM
	virus     = diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS
)

// Source: FRAC Code List, from memory: thiophanate-methyl is an MBC fungicide
// (group 1), epoxiconazole a DMI fungicide (group 3). They are two active
// ingredients with two mechanisms, and rotating one with the other is a change
// of resistance group.
func TestThiophanateMethylIsGroup1AndEpoxiconazoleGroup3AsPublished(t *testing.T) {
	thiophanate, known := ActiveIngredientByID("thiophanate-methyl")
	require.True(t, known)
	epoxiconazole, known := ActiveIngredientByID("epoxiconazole")
	require.True(t, known)

	require.Equal(t, "1", thiophanate.FRACCode)
	require.Equal(t, "3", epoxiconazole.FRACCode)
}

// Source: FRAC Code List, from memory, except where the row names another.
func TestResistanceGroupsAsPublished(t *testing.T) {
	for group, ids := range map[string][]string{
		"1":    {"thiophanate-methyl"},
		"2":    {"iprodione"},
		"3":    {"tebuconazole", "propiconazole", "epoxiconazole", "myclobutanil"},
		"4":    {"mefenoxam", "metalaxyl"},
		"7":    {"fluopyram", "boscalid"},
		"9":    {"cyprodinil"},
		"11":   {"azoxystrobin", "pyraclostrobin", "trifloxystrobin"},
		"12":   {"fludioxonil"},
		"14":   {"etridiazole"},
		"17":   {"fenhexamid"},
		"19":   {"polyoxin-d"},
		"21":   {"cyazofamid"},
		"25":   {"streptomycin"},
		"28":   {"propamocarb"},
		"40":   {"dimethomorph", "mandipropamid"},
		"41":   {"oxytetracycline"},
		"43":   {"fluopicolide"},
		"49":   {"oxathiapiprolin"},
		"P01":  {"acibenzolar-s-methyl"},
		"P07":  {"fosetyl-al", "phosphorous-acid"},
		"M01":  {"copper-hydroxide"},
		"M02":  {"sulphur", "lime-sulphur"},
		"M03":  {"mancozeb"},
		"M04":  {"captan"},
		"M05":  {"chlorothalonil"},
		"BM02": {"bacillus-subtilis", "bacillus-amyloliquefaciens"},
		"NC":   {"neem-oil", "paraffinic-oil", "potassium-bicarbonate"},
	} {
		for _, id := range ids {
			active, known := ActiveIngredientByID(id)
			require.True(t, known, id)
			require.Equal(t, group, active.FRACCode, id)
			require.NotEmpty(t, active.Source, id)
		}
	}
}

func TestNoActiveIngredientWorksOnAVirusOrOnNoDisease(t *testing.T) {
	for _, active := range ActiveIngredients() {
		require.NotContains(t, active.WorksOn, virus, active.ID)
		require.NotContains(t, active.WorksOn, diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE, active.ID)
	}
}

func TestGroupsThatOnlyWorkOnOomycetesAreNotOfferedAgainstFungi(t *testing.T) {
	for _, active := range ActiveIngredients() {
		switch active.FRACCode {
		case "4", "14", "21", "28", "40", "43", "49":
			require.Equal(t, []diagnosisv1.DisorderClass{oomycete}, active.WorksOn, active.ID)
		case "1", "2", "3", "7", "9", "12", "17", "19":
			require.Equal(t, []diagnosisv1.DisorderClass{fungus}, active.WorksOn, active.ID)
		}
	}
}

func TestCatalogRefuses(t *testing.T) {
	const good = "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS], source: s}\n"
	_, err := parseCatalog([]byte(good))
	require.NoError(t, err)

	for name, file := range map[string]string{
		"an unknown field":      "- {id: captan, colour: red}",
		"no source":             "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS]}",
		"an old FRAC code":      "- {id: captan, display_name: captan, frac_code: M4, mobility: CONTACT, works_on: [FUNGUS], source: s}",
		"an unknown mobility":   "- {id: captan, display_name: captan, frac_code: M04, mobility: FAST, works_on: [FUNGUS], source: s}",
		"an unknown class":      "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [MITE], source: s}",
		"no class":              "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, source: s}",
		"an id in upper case":   "- {id: Captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS], source: s}",
		"the same row twice":    good + good,
		"something that is not": "{",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseCatalog([]byte(file))
			require.Error(t, err)
		})
	}
}

func FuzzParseCatalog(f *testing.F) {
	f.Add(catalogFile)
	f.Add([]byte("- {id: captan}"))
	f.Fuzz(func(t *testing.T, file []byte) {
		actives, err := parseCatalog(file)
		if err != nil {
			return
		}
		for _, active := range actives {
			require.NotEqual(t, productsv1.Mobility_MOBILITY_UNSPECIFIED, active.Mobility)
			require.NotEmpty(t, active.WorksOn)
		}
	})
}
