package rulefile_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/rulefile"
)

func TestAFileIsOneDocumentOfKnownFields(t *testing.T) {
	var read struct {
		Hours int `yaml:"hours"`
	}
	require.NoError(t, rulefile.Decode([]byte("hours: 12\n"), &read))
	require.Equal(t, 12, read.Hours)
	require.ErrorContains(t, rulefile.Decode([]byte("hours: 12\nhuors: 4\n"), &read), "huors")
	require.EqualError(t, rulefile.Decode([]byte("hours: 12\n---\nhours: 4\n"), &read), "holds more than one document")
}

func TestAFileSaysItsSourceAndItsDay(t *testing.T) {
	require.NoError(t, rulefile.CheckHead("40 CFR 170", "2028-02-29"))
	require.EqualError(t, rulefile.CheckHead("", "2028-02-29"), "source: must be given")
	require.EqualError(t, rulefile.CheckHead("40 CFR 170", "2027-02-29"), `date: "2027-02-29" is not a day (YYYY-MM-DD)`)
}
