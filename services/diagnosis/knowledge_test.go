package diagnosis

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

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
	require.GreaterOrEqual(t, len(Disorders()), len(want))
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
