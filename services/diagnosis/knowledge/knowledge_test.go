package knowledge_test

import (
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// read returns the shipped files, so that a test can change one.
func read(t *testing.T) fstest.MapFS {
	t.Helper()
	files := fstest.MapFS{}
	err := fs.WalkDir(os.DirFS("."), ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".yaml") {
			return err
		}
		data, err := os.ReadFile(path)
		files[path] = &fstest.MapFile{Data: data}
		return err
	})
	require.NoError(t, err)
	return files
}

func TestTheShippedKnowledgeIsSoundAndWide(t *testing.T) {
	base, err := knowledge.Read(read(t))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(base.Disorders), 40)
	organs := map[diagnosisv1.Organ]bool{}
	for _, sign := range base.Signs {
		for _, organ := range sign.Organs {
			organs[organ] = true
		}
	}
	require.Len(t, organs, len(diagnosisv1.Organ_name)-1, "every organ has a sign to look for")
}

func TestEveryInfectionSaysHowLongItMayStandWithoutSigns(t *testing.T) {
	for _, d := range knowledge.Shipped().Disorders {
		if d.Contagion.Degree > diagnosisv1.Contagion_CONTAGION_NONE {
			require.NotNil(t, d.Latent, d.ID)
			require.Positive(t, d.Latent.MaxDays, d.ID)
		}
	}
}

// A wrong yes here has a crop sprayed in vain.
func TestAFungicideWorksOnlyAgainstFungiAndOomycetes(t *testing.T) {
	for _, d := range knowledge.Shipped().Disorders {
		switch d.Class {
		case diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS:
			require.NotEqual(t, diagnosisv1.FungicideUse_FUNGICIDE_USE_OOMYCETE_ONLY, d.Fungicide.Works, d.ID)
		case diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE:
			require.Equal(t, diagnosisv1.FungicideUse_FUNGICIDE_USE_OOMYCETE_ONLY, d.Fungicide.Works, d.ID)
		case diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM:
			if d.Fungicide.Works != diagnosisv1.FungicideUse_FUNGICIDE_USE_NO {
				require.Equal(t, diagnosisv1.FungicideUse_FUNGICIDE_USE_PARTLY, d.Fungicide.Works, d.ID)
				require.Contains(t, strings.ToLower(d.Fungicide.Note), "copper", d.ID)
			}
		default:
			require.Equal(t, diagnosisv1.FungicideUse_FUNGICIDE_USE_NO, d.Fungicide.Works, d.ID)
		}
	}
}

func TestNoDiseaseSpreads(t *testing.T) {
	for _, d := range knowledge.Shipped().Disorders {
		spreads := d.Contagion.Degree > diagnosisv1.Contagion_CONTAGION_NONE
		require.Equal(t, d.Class != diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE, spreads, d.ID)
	}
}

// What growers say of these disorders, common practice, no source.
func TestWhatGrowersSayOfDisorders(t *testing.T) {
	const seen, argues = 0.6, 0.1
	leaf, stem := diagnosisv1.Organ_ORGAN_LEAF, diagnosisv1.Organ_ORGAN_STEM
	for _, test := range []struct {
		disorder, sign string
		organ          diagnosisv1.Organ
		least, most    float64
	}{
		{"anthracnose", "starts-at-tip", leaf, seen, 1},
		{"anthracnose", "sharp-edge", leaf, seen, 1},
		{"anthracnose", "concentric-rings", leaf, seen, 1},
		{"fusarium-wilt", "ring-in-cut-face", stem, seen, 1},
		{"fusarium-wilt", "slow-decline", diagnosisv1.Organ_ORGAN_WHOLE_PLANT, seen, 1},
		{"black-rot", "advances-within-days", diagnosisv1.Organ_ORGAN_CROWN, seen, 1},
		{"black-rot", "foul-smell", leaf, 0, argues},
		{"phyllosticta-leaf-spot", "streaks-along-veins", leaf, seen, 1},
		{"phyllosticta-leaf-spot", "round-black-spots-thin-centre", leaf, 0.3, 1},
		{"cercospora-leaf-spot", "on-underside-first", leaf, seen, 1},
		{"cercospora-leaf-spot", "fine-spots-run-together", leaf, seen, 1},
		{"sunburn", "on-exposed-face-only", leaf, seen, 1},
		{"sunburn", "papery", leaf, seen, 1},
		{"sunburn", "does-not-enlarge", leaf, seen, 1},
		{"bacterial-soft-rot", "foul-smell", leaf, seen, 1},
	} {
		d, found := knowledge.Shipped().Disorder(test.disorder)
		require.True(t, found)
		expected, said := d.ChanceOf(test.sign, test.organ)
		require.True(t, said, "%s: %s", test.disorder, test.sign)
		require.GreaterOrEqual(t, expected.Chance, test.least, "%s: %s", test.disorder, test.sign)
		require.LessOrEqual(t, expected.Chance, test.most, "%s: %s", test.disorder, test.sign)
	}
	anthracnose, _ := knowledge.Shipped().Disorder("anthracnose")
	require.Equal(t, "low", anthracnose.FavouredBy.Light)
	rot, _ := knowledge.Shipped().Disorder("black-rot")
	require.Equal(t, diagnosisv1.Contagion_CONTAGION_VERY_HIGH, rot.Contagion.Degree)
	for _, orchid := range []string{"Phalaenopsis", "Cattleya", "Vanda", "Dendrobium", "Paphiopedilum", "Cymbidium"} {
		require.Positive(t, rot.WeightIn(knowledge.Shipped().PlantOf(orchid)), "%s gets it as any orchid does", orchid)
	}
}

func TestAPlantLacksTheOrgansOfOthers(t *testing.T) {
	base := knowledge.Shipped()
	moth := base.PlantOf("Phalaenopsis amabilis")
	require.Equal(t, "orchid", moth.Group)
	require.Contains(t, moth.Lacks, diagnosisv1.Organ_ORGAN_PSEUDOBULB)
	require.NotContains(t, base.PlantOf("Cattleya labiata").Lacks, diagnosisv1.Organ_ORGAN_PSEUDOBULB)
	require.Contains(t, base.PlantOf("Pelargonium × hortorum").Lacks, diagnosisv1.Organ_ORGAN_PSEUDOBULB)
	require.Contains(t, base.PlantOf("Nephrolepis exaltata").Lacks, diagnosisv1.Organ_ORGAN_FLOWER, "a fern has no flowers")
	require.NotContains(t, base.PlantOf("Spathiphyllum wallisii").Lacks, diagnosisv1.Organ_ORGAN_FLOWER)
	unknown := base.PlantOf("Nowhereia sp.")
	require.Empty(t, unknown.Group)
	require.Empty(t, unknown.Lacks, "of a plant that nobody knows nothing is ruled out")
	require.Equal(t, "Brassocattleya", knowledge.Genus("× Brassocattleya Mossiae"))
	require.Empty(t, knowledge.Genus("  "))
	for _, typed := range []string{"Chrysanthemum indicum", "chrysanthemum", "CHRYSANTHEMUM", "x Chrysanthemum", "×chrysanthemum", "Chrysanthemum×morifolium"} {
		require.Equal(t, "Chrysanthemum", knowledge.Genus(typed), typed)
	}
	require.Equal(t, "Xanthosoma", knowledge.Genus("xanthosoma sagittifolium"))
}

func TestADisorderBoundToItsHostIsNotFoundElsewhere(t *testing.T) {
	rust, found := knowledge.Shipped().Disorder("chrysanthemum-white-rust")
	require.True(t, found)
	require.Positive(t, rust.WeightIn(knowledge.Shipped().PlantOf("Chrysanthemum × morifolium")))
	require.Zero(t, rust.WeightIn(knowledge.Shipped().PlantOf("Rosa")))
	require.Positive(t, rust.WeightIn(knowledge.Plant{}), "when nobody says which plant it is, it cannot be ruled out")
}

// Each change breaks one rule; the error names the row.
func TestBrokenKnowledgeIsRefused(t *testing.T) {
	for _, test := range []struct{ file, from, to, want string }{
		{"signs.yaml", "id: starts-at-tip,", "id: Starts,", "lower-case"},
		{"signs.yaml", "id: starts-at-margin,", "id: starts-at-tip,", "twice"},
		{"signs.yaml", "group: place, way: look, organs: [leaf, root]", "group: nowhere, way: look, organs: [leaf, root]", "known group"},
		{"signs.yaml", "organs: [leaf, root]", "organs: [petiole]", "petiole"},
		{"signs.yaml", "excludes: [on-young-leaves-first]", "excludes: [no-such-sign]", "no-such-sign"},
		{"signs.yaml", "dependence: 0.4", "dependence: 1.4", "0 to 1"},
		{"signs.yaml", "minutes: 1", "minutes: 0", "one minute"},
		{"signs.yaml", "signs:\n", "signz:\n", "signz"},
		{"chances.yaml", `always: "0.95"`, `always: "1"`, "below 1"},
		{"chances.yaml", `common: "1"`, `common: "0"`, "above 0"},
		{"plants.yaml", "id: orchid", "id: any", "may not be called"},
		{"tests.yaml", "kind: kit", "kind: guess", "needs a display name"},
		{"plants.yaml", "        Adiantum, Aglaomorpha, Asplenium, Athyrium", "        Nofernia, Aglaomorpha, Asplenium, Athyrium", "no plant group"},
		{"tests.yaml", "reads: [ooze]", "reads: [oozing]", "not in the vocabulary"},
		{"disorders/fungi.yaml", "class: fungus", "class: fungi", "fungi"},
		{"disorders/fungi.yaml", "chance: always", "chance: mostly", "mostly"},
		{"disorders/fungi.yaml", "source: [memory]}", "source: []}", "needs a source"},
		{"disorders/fungi.yaml", "source: [memory]}", "source: [hearsay]}", "stands nowhere"},
		{"disorders/fungi.yaml", "works: yes", "works: maybe", "maybe"},
		{"disorders/fungi.yaml", "moisture: wet-leaves", "moisture: rain", "rain"},
		{"disorders/fungi.yaml", "light: any", "light: dim", "low, high or any"},
		{"disorders/fungi.yaml", "min_days: ", "min_days: -", "negative"},
		{"disorders/fungi.yaml", "look_alikes: [", "look_alikes: [no-such-disorder, ", "no-such-disorder"},
	} {
		t.Run(test.to, func(t *testing.T) {
			files := read(t)
			require.Contains(t, string(files[test.file].Data), test.from)
			files[test.file] = &fstest.MapFile{Data: []byte(strings.Replace(string(files[test.file].Data), test.from, test.to, 1))}
			_, err := knowledge.Read(files)
			require.ErrorContains(t, err, test.want)
		})
	}
	files := read(t)
	delete(files, "tests.yaml")
	_, err := knowledge.Read(files)
	require.ErrorContains(t, err, "tests.yaml")
}

func TestEveryDisorderCanBeConfirmedByATest(t *testing.T) {
	for _, d := range knowledge.Shipped().Disorders {
		require.True(t, slices.ContainsFunc(knowledge.Shipped().Tests, func(test knowledge.Test) bool {
			return slices.Contains(test.Finds, d.ID)
		}), d.ID)
	}
}

// A positive test of a genus must not clear a plant of the species that must be
// reported.
func TestATestOfAGenusFindsTheSpeciesThatMustBeReported(t *testing.T) {
	for genus, species := range map[string][]string{
		"phytophthora-root-rot": {"ramorum-blight"},
		"xanthomonas-leaf-spot": {"geranium-bacterial-blight", "anthurium-bacterial-blight"},
		"rust":                  {"chrysanthemum-white-rust", "gladiolus-rust"},
	} {
		for _, test := range knowledge.Shipped().Tests {
			if slices.Contains(test.Finds, genus) {
				require.Subset(t, test.Finds, species, test.ID)
			}
		}
	}
}

// The files of a knowledge as small as can be.
const (
	smallChances = `{source: test, chances: {hardly: "0.02", often: "0.6"}, weights: {common: "1"}}`
	smallPlants  = `groups: [{id: orchid, source: test, genera: [Vanda]}]`
	smallTests   = `tests: [{id: strip, display_name: Strip, kind: kit, finds: [rust], sensitivity: "0.9", specificity: "0.9", days: 0, minutes: 5, source: [memory]}]`
	smallSigns   = `{ways: [{id: look, minutes: 1, question: Look}], groups: [{id: spot, dependence: 0.3, description: Spots}],
 signs: [{id: halo, group: spot, way: look, organs: [leaf], description: Halo}]}`
	smallDisorders = `disorders: [{id: rust, display_name: Rust, class: fungus, causes: [Uredo], plants: {any: common},
 signs: [{sign: halo, chance: often, source: [memory]}], favoured_by: {moisture: any, light: any, source: [memory]},
 latent: {min_days: 7, max_days: 14, source: [memory]}, contagion: {degree: high, routes: [air], source: [memory]},
 fungicide: {works: yes, source: [memory]}, confirmation: Look, confirmation_source: [memory],
 hygiene: Clean, disposal: Bin, environment: [Air], handling_source: [memory]}]`
)

func small(signs, disorders []byte) fstest.MapFS {
	return fstest.MapFS{
		"chances.yaml": {Data: []byte(smallChances)}, "plants.yaml": {Data: []byte(smallPlants)},
		"tests.yaml": {Data: []byte(smallTests)}, "signs.yaml": {Data: signs}, "disorders/all.yaml": {Data: disorders},
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(smallSigns), []byte(smallDisorders))
	f.Fuzz(func(t *testing.T, signs, disorders []byte) {
		base, err := knowledge.Read(small(signs, disorders))
		if err != nil {
			return
		}
		for _, d := range base.Disorders {
			for _, e := range d.Signs {
				require.True(t, e.Chance > 0 && e.Chance < 1)
			}
		}
		for _, group := range base.Groups {
			require.True(t, group.Dependence >= 0 && group.Dependence <= 1)
		}
	})
}

func TestASmallKnowledgeIsRead(t *testing.T) {
	base, err := knowledge.Read(small([]byte(smallSigns), []byte(smallDisorders)))
	require.NoError(t, err)
	require.Len(t, base.Disorders, 1)
}
