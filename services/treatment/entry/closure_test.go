package entry

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func TestAHouseOpensOnlyWhenItIsAiredAndTheIntervalIsOver(t *testing.T) {
	n := nursery("US")
	a := []Application{fog("3")}
	fans := []Airing{aired(Fans, 0, 4*time.Hour)}
	require.True(t, n.At(a, nil, "h1", at(8, 59)).Open(), "before it begins")
	require.Equal(t, []Reason{Applying}, reasons(n.At(a, fans, "h1", at(9, 30))))
	require.Equal(t, []Reason{NotAired, IntervalRuns}, reasons(n.At(a, fans, "h1", at(11, 59))))
	require.Equal(t, []Reason{IntervalRuns}, reasons(n.At(a, fans, "h1", at(12, 0))))
	require.True(t, n.At(a, fans, "h1", at(13, 0)).Open())
	require.Equal(t, []Reason{NotAired}, reasons(n.At(a, nil, "h1", at(13, 0))), "the interval alone opens nothing")
	require.True(t, n.At(a, nil, "h2", at(11, 0)).Open(), "another house")
}

func TestWhenAHouseOpensIsTheLastOfItsClosures(t *testing.T) {
	n := nursery("US")
	standing := n.At([]Application{fog("3")}, nil, "h1", at(11, 0))
	require.Equal(t, at(10, 0).Add(24*time.Hour), standing.Opens)
	require.Equal(t, at(13, 0), standing.Closures[0].Sooner[0].From)
	require.Equal(t, at(13, 0), standing.Closures[1].Until)
	require.True(t, n.At([]Application{fog("3")}, nil, "h1", at(9, 30)).Opens.IsZero(), "while it is applied nobody knows")
}

func TestSignsKeepAHouseClosedUntilTheyAreDown(t *testing.T) {
	n := nursery("US")
	a := drench("4")
	a.Signs = Signs{Posted: at(8, 0)}
	require.Equal(t, []Reason{SignsUp}, reasons(n.At([]Application{a}, nil, "h1", at(8, 30))), "before the application begins")
	standing := n.At([]Application{a}, nil, "h1", at(14, 0))
	require.Equal(t, []Reason{SignsUp}, reasons(standing))
	require.True(t, standing.Opens.IsZero())
	a.Signs.Removed = at(14, 0)
	require.True(t, n.At([]Application{a}, nil, "h1", at(14, 0)).Open())
	a.Signs.Posted = time.Time{}
	require.False(t, n.At([]Application{a}, nil, "h1", at(13, 59)).Open(), "when they were put up is not entered")
}

func TestWhatCannotBeSealedOffFromAFumigationIsClosedToo(t *testing.T) {
	h1, h2, h3, h4 := greenhouse("h1"), greenhouse("h2"), greenhouse("h3"), greenhouse("h4")
	h2.Unsealed, h3.Unsealed = []string{"h1"}, []string{"h2"}
	n := nursery("US", h1, h2, h3, h4)
	a := fog("0")
	a.Form = Fumigant
	for _, house := range []string{"h1", "h2", "h3"} {
		require.Equal(t, []Reason{Applying}, reasons(n.At([]Application{a}, nil, house, at(9, 30))), house)
		require.Equal(t, []Reason{NotAired}, reasons(n.At([]Application{a}, nil, house, at(11, 0))), house)
		require.True(t, n.At([]Application{a}, []Airing{aired(Fans, 0, 2*time.Hour)}, house, at(12, 0)).Open(), house)
	}
	require.True(t, n.At([]Application{a}, nil, "h4", at(9, 30)).Open(), "it can be sealed off")

	n.Houses[3].AdjoiningEntered = false
	standing := n.At([]Application{a}, nil, "h4", at(9, 30))
	require.Equal(t, []Reason{Applying}, reasons(standing))
	require.Contains(t, standing.Closures[0].Why, "what can be sealed off from house h1")
	n.Houses[3].Unsealed, n.Houses[2].Unsealed = []string{"h3"}, nil
	standing = n.At([]Application{a}, nil, "h3", at(9, 30))
	require.Contains(t, standing.Closures[0].Why, "what can be sealed off from house h1", "it is reached through a house of which nobody knows")
	n.Houses[3].Unsealed = nil
	n.Houses[3].Enclosed = No
	require.True(t, n.At([]Application{a}, nil, "h4", at(9, 30)).Open(), "an outdoor place shares no air")
	require.True(t, n.At([]Application{fog("0")}, nil, "h2", at(9, 30)).Open(), "a fog closes its own house only")
}

// The table leaves no area under an interval after a fumigation, but the label decides
// over the table.
func TestTheIntervalOnAFumigantsLabelIsKept(t *testing.T) {
	a := fog("6")
	a.Form = Fumigant
	fans := []Airing{aired(Fans, 0, 2*time.Hour)}
	standing := nursery("US").At([]Application{a}, fans, "h1", at(13, 0))
	require.Equal(t, []Reason{IntervalRuns}, reasons(standing))
	require.Equal(t, WholeSpace, standing.Closures[0].Area.Extent)
	a.Products[0].Interval = hours("0")
	require.True(t, nursery("US").At([]Application{a}, fans, "h1", at(13, 0)).Open())
}

func TestAFactThatIsNotEnteredTakesTheStricterRowAndIsNamed(t *testing.T) {
	metre := quantity.Must("1", quantity.Metre)
	for name, test := range map[string]struct {
		change  func(*Application)
		closed  Area
		aired   bool
		missing string
	}{
		"how it was applied":  {func(a *Application) { a.Form = "" }, Area{Extent: WholeSpaceAndAdjoining}, true, "how it was applied"},
		"a form that is none": {func(a *Application) { a.Form = "rocket" }, Area{Extent: WholeSpaceAndAdjoining}, true, "how it was applied"},
		"the droplets":        {func(a *Application) { a.Droplets = "" }, Area{Extent: WholeSpace}, true, "the droplet class of the spray"},
		"the respirator":      {func(a *Application) { a.Products[0].Respirator = Unknown }, Area{Extent: WholeSpace}, true, "whether a label asks for a respirator"},
		"the products":        {func(a *Application) { a.Products = nil }, Area{Extent: WholeSpace}, true, "whether a label asks for a respirator"},
		"the height":          {func(a *Application) { a.Form, a.Height = Drench, quantity.Quantity{} }, Area{Extent: TreatedArea, Feet: 25}, false, "the height from which it was applied"},
	} {
		t.Run(name, func(t *testing.T) {
			a := Application{Form: Spray, Droplets: MediumOrLarger, Height: metre, Products: []Product{label("4")}}
			test.change(&a)
			got := ClosedAreaOf(a, Yes)
			require.Equal(t, test.closed, got.Closed)
			require.Equal(t, test.aired, got.Aired)
			require.Equal(t, []string{test.missing}, got.Missing)
		})
	}
	unknown := Application{Droplets: FinerThanMedium, Products: []Product{label("4")}}
	require.Equal(t, WholeSpace, ClosedAreaOf(unknown, Yes).Afterwards.Extent, "the fumigant's row does not take the interval's area away")
}

func TestHeightMattersFromAboveTwelveInches(t *testing.T) {
	for text, want := range map[string]int{"12": 0, "12.1": 25} {
		a := drench("4")
		a.Height = quantity.Must(text, quantity.Inch)
		require.Equal(t, want, ClosedAreaOf(a, Yes).Closed.Feet, text)
	}
}

// 40 CFR 170.405(a), as printed at lexfed.com.
func TestOutdoorExclusionZonePublished(t *testing.T) {
	metre, low := quantity.Must("1", quantity.Metre), quantity.Must("10", quantity.Centimetre)
	for _, test := range []struct {
		form     Form
		droplets Droplets
		height   quantity.Quantity
		feet     int
	}{
		{Aerial, MediumOrLarger, metre, 100}, {AirBlast, MediumOrLarger, metre, 100}, {Fumigant, "", low, 100}, {Smoke, "", low, 100},
		{Mist, "", low, 100}, {Fog, "", low, 100}, {Spray, FinerThanMedium, low, 100},
		{Spray, MediumOrLarger, metre, 25}, {Spray, MediumOrLarger, low, 0}, {Drip, "", low, 0},
	} {
		a := Application{Form: test.form, Droplets: test.droplets, Height: test.height, Products: []Product{label("4")}}
		zone := OutdoorZoneOf(a)
		require.Equal(t, Area{Extent: TreatedArea, Feet: test.feet}, zone.Closed, test.form)
		require.False(t, zone.Aired)
	}
	a := Application{Form: Spray, Height: low, Products: []Product{label("4")}}
	require.Equal(t, 100, OutdoorZoneOf(a).Closed.Feet, "droplets not entered")
}

func TestAPlaceOfWhichNobodyKnowsWhetherItIsEnclosedHasBothRules(t *testing.T) {
	house := greenhouse("h1")
	house.Enclosed = Unknown
	n := nursery("US", house)
	standing := n.At([]Application{fog("4")}, nil, "h1", at(9, 30))
	require.Equal(t, []Area{{Extent: WholeSpace}, {Extent: TreatedArea, Feet: 100}}, []Area{standing.Closures[0].Area, standing.Closures[1].Area})
	require.Equal(t, NotAired, n.At([]Application{fog("4")}, nil, "h1", at(11, 0)).Closures[0].Reason)
	n.Houses[0].Enclosed = No
	require.Equal(t, []Reason{IntervalRuns}, reasons(n.At([]Application{fog("4")}, nil, "h1", at(11, 0))), "no airing outdoors")
}

func TestARecordThatCannotBeClosesTheHouse(t *testing.T) {
	n := nursery("US")
	later := at(10, 0).AddDate(1, 0, 0)
	backwards := drench("4")
	backwards.End = at(8, 0)
	standing := n.At([]Application{backwards}, nil, "h1", later)
	require.Equal(t, []Reason{NotKnown}, reasons(standing))
	require.Contains(t, standing.Closures[0].Why, "ends before it starts")

	open := drench("4")
	open.End = time.Time{}
	require.Equal(t, []Reason{Applying}, reasons(n.At([]Application{open}, nil, "h1", later)), "nobody wrote down the end")

	nowhere := drench("4")
	nowhere.House = ""
	require.Equal(t, []Reason{NotKnown}, reasons(n.At([]Application{nowhere}, nil, "h3", later)), "it may have been here")
	require.Equal(t, []Reason{NotKnown}, reasons(n.At(nil, nil, "h9", later)), "a house that is not known")
}

func TestAHouseIsCalledByItsNameAlone(t *testing.T) {
	called := greenhouse("h1")
	called.Name, called.Enclosed, called.AdjoiningEntered = "House 1", Unknown, false
	n := nursery("US", called)
	for _, moment := range []time.Time{at(9, 0), at(10, 30)} {
		closures := n.At([]Application{fog("3")}, nil, "h1", moment).Closures
		require.NotEmpty(t, closures)
		for _, closure := range closures {
			texts := append([]string{closure.Why}, closure.Missing...)
			for _, sooner := range closure.Sooner {
				texts = append(texts, sooner.Text)
			}
			for _, text := range texts {
				require.NotContains(t, strings.ToLower(text), "house house")
			}
		}
	}
	require.Equal(t, "house h9", House{ID: "h9"}.name())
	require.Equal(t, "House h9", House{ID: "h9"}.firstName())
}
