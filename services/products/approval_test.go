package products

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// Sources: Implementing Regulations (EU) 2020/1498 (thiophanate-methyl, last use
// 19 October 2021), 2019/677 (chlorothalonil, 20 May 2020), 2024/1207
// (dimethomorph, 20 May 2025) and 2017/2091 (iprodione, 5 June 2018).
func TestUseAfterTheLastDayIsRefusedInTheEUAsPublished(t *testing.T) {
	for active, day := range map[string]struct{ last, refused string }{
		"thiophanate-methyl": {"2021-10-19", "2021-10-20"},
		"chlorothalonil":     {"2020-05-20", "2020-05-21"},
		"dimethomorph":       {"2025-05-20", "2025-05-21"},
		"iprodione":          {"2018-06-05", "2018-06-06"},
	} {
		t.Run(active, func(t *testing.T) {
			ended, approved := ApprovalFor(active, "DE", day.refused)
			require.False(t, approved)
			require.Equal(t, day.last, ended.LastUseDate)
			require.Contains(t, ended.Act, "(EU) 20")

			_, approved = ApprovalFor(active, "DE", day.last)
			require.True(t, approved, "the last day is a day of use")
			_, approved = ApprovalFor(active, "ZA", day.refused)
			require.True(t, approved, "the EU does not bind South Africa")
		})
	}
}

// Source: article 52 of the Treaty on European Union, from memory: 27 member
// states since the United Kingdom left.
func TestThiophanateMethylAndEpoxiconazoleHaveHistoriesOfTheirOwn(t *testing.T) {
	thiophanate, approved := ApprovalFor("thiophanate-methyl", "EU", "2026-03-01")
	require.False(t, approved)
	epoxiconazole, approved := ApprovalFor("epoxiconazole", "EU", "2026-03-01")
	require.False(t, approved)
	require.NotEqual(t, thiophanate.Act, epoxiconazole.Act)
	require.NotEqual(t, thiophanate.LastUseDate, epoxiconazole.LastUseDate)
}

func TestWhereAnApprovalBinds(t *testing.T) {
	for jurisdiction, want := range map[string]bool{
		"EU": false, "DE": false, "DE-BY": false, "GR": false, "EL": false, "EL-A": false, "GB": true, "UK": true, "CH": true, "US": true, "US-CA": true, "ZA": true, "": true,
	} {
		_, approved := ApprovalFor("mancozeb", jurisdiction, "2026-03-01")
		require.Equal(t, want, approved, jurisdiction)
	}
	_, approved := ApprovalFor("dimoxystrobin", "FR", "2000-01-01")
	require.False(t, approved, "without a day no use is taken to be allowed")
	ended, approved := ApprovalFor("tebuconazole", "FR", "2026-03-01")
	require.True(t, approved)
	require.Zero(t, ended)
}

func TestApprovalsRefuse(t *testing.T) {
	const row = "{active_ingredient: mancozeb, act: a, source: s}"
	_, err := parseLaw([]byte("jurisdiction: DE\nnot_approved: [" + row + "]"))
	require.NoError(t, err)
	for name, file := range map[string]string{
		"no jurisdiction":    "not_approved: [" + row + "]",
		"an unknown field":   "jurisdiction: DE\ncolour: red",
		"an unknown active":  "jurisdiction: DE\nnot_approved: [{active_ingredient: benlate, act: a, source: s}]",
		"no act":             "jurisdiction: DE\nnot_approved: [{active_ingredient: mancozeb, source: s}]",
		"no source":          "jurisdiction: DE\nnot_approved: [{active_ingredient: mancozeb, act: a}]",
		"a day that is none": "jurisdiction: DE\nnot_approved: [{active_ingredient: mancozeb, act: a, source: s, last_use_date: 2021-02-30}]",
		"an active twice":    "jurisdiction: DE\nnot_approved: [" + row + ", " + row + "]",
		"something else":     "{",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseLaw([]byte(file))
			require.Error(t, err)
		})
	}
	_, err = readLaws(fstest.MapFS{
		"approvals/a.yaml": {Data: []byte("jurisdiction: DE")}, "approvals/b.yaml": {Data: []byte("jurisdiction: DE")},
	})
	require.ErrorContains(t, err, "already")
}
