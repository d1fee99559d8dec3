package main

import (
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/cli"
	"velamen/internal/cli/clitest"
	"velamen/internal/quantity"
	"velamen/services/records/report"
)

// filledIn is what a person writes in the place of the capitals of a command.
var filledIn = strings.NewReplacer(
	" NUMBER:LAST-DAY:CATEGORY", " C-17:2027-01-31:greenhouse", `"CROP=CODE"`, `"Vanda coerulea=VNDCO"`, " SETTING", " greenhouse",
	" COVERING", " glass", " AREA", " 300m2", " AMOUNT", " 24g", " VOLUME", " 20L", " NUMBER", " 3", " STAGE", " 61",
	" TIME", ` "2026-03-01 10:00"`, " CODE", " NL", " NAME", ` "A name"`, " PLACE", " bench-1", " LOCATION", " here", " PERSON", " mira", " PERFORMER", " grower",
	" ADDRESS", " here", " COUNTY", " here", " FILE", " file.json", " WHY", ` "forgotten on the day"`, " ZONE", " Europe/Berlin")

// Whatever a report lacks is mended with a command that there is.
func TestTheCommandsThatMendAReportAreCommandsOfVelamen(t *testing.T) {
	lines := map[string]bool{}
	for _, kind := range report.Kinds() {
		use := report.Use{
			Entry: "nurseries/test/entries/1", House: "nurseries/test/houses/h1", Product: "nurseries/test/products/p1",
			Applicator: report.Person{Resource: "nurseries/test/people/wandile"}, RestrictedUse: true,
			Crops: []report.Crop{{Name: "Vanda coerulea", Lot: "nurseries/test/lots/l1"}}, ForHire: report.Yes,
			TimeLimited: report.Yes, StageLimited: report.Yes,
		}
		uses := []report.Use{use}
		use.Entry, use.Setting, use.Crops = "nurseries/test/entries/2", "outdoor", []report.Crop{{Name: "Vanda coerulea", EPPO: "?"}}
		use.ForHire = report.Unknown
		use.Planted, use.Treated = quantity.Must("0", quantity.SquareMetre), quantity.Must("1", quantity.SquareMetre)
		for _, gap := range report.Check(kind, report.Nursery{Name: "nurseries/test"}, append(uses, use)) {
			require.NotEmpty(t, gap.Fix)
			require.NotEmpty(t, gap.FixField)
			if gap.FixCommand != "" {
				lines[filledIn.Replace(gap.FixCommand)] = true
			}
		}
	}
	require.Greater(t, len(lines), 15)
	for line := range lines {
		clitest.CheckCommand(t, cli.Tree(cli.Options{Out: io.Discard, Err: io.Discard}), line)
	}
}
