package diagnosis

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func TestTheEmbeddedKnowledgeIsSound(t *testing.T) {
	k, err := parseKnowledge(signsFile, disordersFile)
	require.NoError(t, err)
	organs := map[diagnosisv1.Organ]bool{}
	for _, sign := range k.signs {
		for _, organ := range sign.Organs {
			organs[organ] = true
		}
	}
	require.Len(t, organs, len(diagnosisv1.Organ_name)-1, "every organ has a sign to look for")
}

// The class decides which chemicals can work at all: a wrong one would have an
// oomycete sprayed with what does nothing to it.
func TestEveryDisorderHasItsClass(t *testing.T) {
	const (
		fungus    = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
		oomycete  = diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE
		bacterium = diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM
		virus     = diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS
		none      = diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE
	)
	want := map[string]diagnosisv1.DisorderClass{
		"anthracnose": fungus, "fusarium-wilt": fungus, "phyllosticta-leaf-spot": fungus, "cercospora-leaf-spot": fungus,
		"septoria-leaf-spot": fungus, "grey-mould": fungus, "rust": fungus, "powdery-mildew": fungus,
		"black-rot":          oomycete,
		"bacterial-soft-rot": bacterium, "bacterial-brown-spot": bacterium,
		"virus-mosaic": virus,
		"sunburn":      none, "edema": none, "chilling-injury": none, "salt-injury": none, "spray-injury": none,
	}
	require.Len(t, Disorders(), len(want))
	for id, class := range want {
		disorder, found := DisorderByID(id)
		require.True(t, found, id)
		require.Equal(t, class, disorder.Class, id)
	}
	_, found := DisorderByID("guesswork")
	require.False(t, found)
}

func TestBothNamesOfAFungusWithTwoStagesStandThere(t *testing.T) {
	for id, names := range map[string][]string{
		"phyllosticta-leaf-spot": {"Phyllosticta", "Guignardia"},
		"anthracnose":            {"Colletotrichum", "Glomerella"},
		"grey-mould":             {"Botrytis", "Botryotinia"},
		"cercospora-leaf-spot":   {"Cercospora", "Mycosphaerella"},
		"virus-mosaic":           {"CymMV", "ORSV"},
	} {
		disorder, _ := DisorderByID(id)
		for _, name := range names {
			require.Contains(t, strings.Join(disorder.Causes, ", "), name, id)
		}
	}
}

func TestBrokenKnowledgeIsRefused(t *testing.T) {
	const sign = "signs: [{id: sunken, description: Sunken, organs: [leaf]}]"
	const disorder = "disorders: [{id: rust, display_name: Rust, class: fungus, causes: [Uredo], confirmation: Look, source: Notes}]"
	_, err := parseKnowledge([]byte(sign), []byte(disorder))
	require.NoError(t, err)
	for _, test := range []struct{ name, signs, disorders, want string }{
		{"no signs", "signs: []", disorder, "must be signs"},
		{"no disorders", sign, "disorders: []", "must be signs and disorders"},
		{"misspelt field", strings.Replace(sign, "organs", "organ", 1), disorder, "organ"},
		{"unknown organ", strings.Replace(sign, "[leaf]", "[leaf, petiole]", 1), disorder, "petiole"},
		{"organ twice", strings.Replace(sign, "[leaf]", "[leaf, leaf]", 1), disorder, "twice"},
		{"no organ", strings.Replace(sign, "[leaf]", "[]", 1), disorder, "organs"},
		{"bad id", strings.Replace(sign, "sunken", "Sunken Spot", 1), disorder, "lower-case"},
		{"sign twice", "signs: [{id: a, description: A, organs: [leaf]}, {id: a, description: A, organs: [root]}]", disorder, "twice"},
		{"unknown class", sign, strings.Replace(disorder, "fungus", "fungi", 1), "fungi"},
		{"no source", sign, strings.Replace(disorder, "source: Notes", "source: ''", 1), "source"},
		{"no causes", sign, strings.Replace(disorder, "[Uredo]", "[]", 1), "causes"},
		{"not YAML", "signs: [", disorder, "signs"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := parseKnowledge([]byte(test.signs), []byte(test.disorders))
			require.ErrorContains(t, err, test.want)
		})
	}
}

func FuzzParseKnowledge(f *testing.F) {
	f.Add(signsFile, disordersFile)
	f.Fuzz(func(t *testing.T, signs, disorders []byte) {
		k, err := parseKnowledge(signs, disorders)
		if err != nil {
			return
		}
		for _, sign := range k.signs {
			require.Regexp(t, identifier, sign.ID)
			require.NotEmpty(t, sign.Organs)
		}
		for _, disorder := range k.disorders {
			require.NotZero(t, disorder.Class)
		}
	})
}
