package products

import (
	"strings"
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
		"1":    {"thiophanate-methyl", "carbendazim"},
		"2":    {"iprodione"},
		"13":   {"quinoxyfen"},
		"3":    {"tebuconazole", "propiconazole", "epoxiconazole", "myclobutanil", "cyproconazole", "prochloraz"},
		"4":    {"mefenoxam", "metalaxyl", "benalaxyl"},
		"7":    {"fluopyram", "boscalid"},
		"9":    {"cyprodinil"},
		"11":   {"azoxystrobin", "pyraclostrobin", "trifloxystrobin", "dimoxystrobin", "famoxadone", "fenamidone", "picoxystrobin"},
		"12":   {"fludioxonil"},
		"14":   {"etridiazole"},
		"17":   {"fenhexamid", "fenpyrazamine"},
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
		"M03":  {"mancozeb", "metiram", "propineb", "thiram"},
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
	const good = "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS], resistance_risk: LOW, source: s}\n"
	_, err := parseCatalog([]byte(good))
	require.NoError(t, err)

	for name, file := range map[string]string{
		"an unknown field":    "- {id: captan, colour: red}",
		"no source":           "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS]}",
		"no FRAC code":        "- {id: captan, display_name: captan, frac_code: X4, mobility: CONTACT, works_on: [FUNGUS], resistance_risk: LOW, source: s}",
		"an unknown mobility": "- {id: captan, display_name: captan, frac_code: M04, mobility: FAST, works_on: [FUNGUS], resistance_risk: LOW, source: s}",
		"an unknown class":    "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [MITE], source: s}",
		"no class":            "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, source: s}",
		"an id in upper case": "- {id: Captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS], resistance_risk: LOW, source: s}",
		"the same row twice":  good + good,
		"no resistance risk":  "- {id: captan, display_name: captan, frac_code: M04, mobility: CONTACT, works_on: [FUNGUS], source: s}",
		"a wrong check digit": strings.Replace(good, "source: s", "source: s, cas_number: 133-06-3", 1),
		"a name with two meanings": strings.Replace(good, "source: s", "source: s, aliases: [sulfur]", 1) +
			"- {id: sulphur, display_name: sulphur, frac_code: M02, mobility: CONTACT, works_on: [FUNGUS], resistance_risk: LOW, source: s, aliases: [Sulfur]}",
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

func TestFRACCodesAreReadAsThePresentListWritesThem(t *testing.T) {
	for typed, want := range map[string]string{
		"1": "1", "M1": "M01", "m03": "M03", "M05": "M05", "33": "P07", "44": "BM02", "U15": "49", "P7": "P07", " 7 ": "7", "nc": "NC", "BM2": "BM02",
	} {
		code, err := NormalFRACCode(typed)
		require.NoError(t, err, typed)
		require.Equal(t, want, code, typed)
	}
	for _, typed := range []string{"", "0", "M", "M100", "123", "X1", "1;2"} {
		_, err := NormalFRACCode(typed)
		require.Error(t, err, typed)
	}
}

// Source: CAS registry, from memory: captan 133-06-2; water 7732-18-5.
func TestCheckDigitsOfCASNumbersAsPublished(t *testing.T) {
	require.NoError(t, checkCAS("133-06-2"))
	require.NoError(t, checkCAS("7732-18-5"))
	require.ErrorContains(t, checkCAS("7732-18-6"), "should be 5")
	require.Error(t, checkCAS("133062"))
}

func TestEveryActiveIngredientHasARisk(t *testing.T) {
	for _, active := range ActiveIngredients() {
		require.NotEqual(t, productsv1.ResistanceRisk_RESISTANCE_RISK_UNSPECIFIED, active.ResistanceRisk, active.ID)
	}
	require.Greater(t, len(shippedNames()), len(ActiveIngredients()), "aliases came along")
}

func TestEveryGroupOfTheCatalogHasAName(t *testing.T) {
	for _, active := range ActiveIngredients() {
		require.NotEmpty(t, fracGroups()[active.FRACCode], active.ID)
	}
	require.Equal(t, "FRAC 3, DMI", FRACGroup("3"))
	require.Equal(t, "FRAC U99", FRACGroup("U99"))
	for _, file := range []string{`"33": phosphonate`, `"1": ""`, "x: y", "[]"} {
		_, err := parseFRACGroups([]byte(file))
		require.Error(t, err, file)
	}
}
