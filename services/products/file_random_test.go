package products

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
	"velamen/services/diagnosis"
)

// maker makes valid products at random: every field filled or not, every unit,
// and texts that files are known to spoil.
type maker struct{ *rand.Rand }

func (m maker) yes() bool { return m.IntN(2) == 0 }

func pick[E any](m maker, from []E) E { return from[m.IntN(len(from))] }

func some[E any](m maker, from []E, most int) []E {
	shuffled := slices.Clone(from)
	m.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	return shuffled[:m.IntN(min(most, len(from))+1)]
}

// text is a text that the rule for texts allows.
func (m maker) text(longest int) string {
	parts := []string{
		"=", "+", "-", "@", "'", "\"", ",", ";", ":", "\n", "\\", "a", "Z", "9", " ", "é", "日本", "×", "\u00a0", "\u2028", "\ufeff", "TRUE", "1e5", "</b>", "%s", "#",
	}
	for {
		var text strings.Builder
		for range 1 + m.IntN(12) {
			text.WriteString(pick(m, parts))
		}
		if got := text.String(); len(got) <= longest && got != "" && checkText(got) == nil {
			return got
		}
	}
}

// number is a decimal above zero and at most a bound, as a person types it.
func (m maker) number(most int) string {
	return strings.TrimRight(fmt.Sprintf("%d.%06d", m.IntN(most), 1+m.IntN(999_999)), "0")
}

// pair is two amounts in order.
func (m maker) pair(most int, unit string) (least, highest *typev1.Quantity) {
	a, b := quantity.Must(m.number(most), quantity.Unit(unit)), quantity.Must(m.number(most), quantity.Unit(unit))
	if a.Amount.GreaterThan(b.Amount) {
		a, b = b, a
	}
	return a.Contract(), b.Contract()
}

func (m maker) product() *productsv1.Product {
	p := &productsv1.Product{
		DisplayName: m.text(60), RegistrationNumber: m.text(40), RestrictedUse: m.yes(),
		Form:         pick(m, []productsv1.ProductForm{solidForm, liquidForm}),
		Jurisdiction: pick(m, []string{"", "ZA", "EU", "US-CA"}), ToxicityCategory: productsv1.ToxicityCategory(m.IntN(5)),
		Respirator: m.answer(), DoubleNotification: m.answer(), InhalationLimited: m.answer(), Organophosphate: m.answer(),
		TimeLimited: m.answer(), StageLimited: m.answer(),
	}
	if p.GetInhalationLimited() == productsv1.LabelAnswer_LABEL_ANSWER_YES && m.yes() {
		p.InhalationLevel = amount(m.number(900), "ppm")
	}
	if m.yes() {
		p.FirstAid, p.SafetyDataSheet = m.text(400), m.text(100)
	}
	if m.yes() {
		p.Formulation = pick(m, []productsv1.Formulation{productsv1.Formulation_FORMULATION_SC, productsv1.Formulation_FORMULATION_EC})
		if p.GetForm() == solidForm {
			p.Formulation = pick(m, []productsv1.Formulation{productsv1.Formulation_FORMULATION_WP, productsv1.Formulation_FORMULATION_WG})
		}
	}
	if m.yes() {
		p.RegistrationExpireDate = &typev1.Date{Value: fmt.Sprintf("20%02d-%02d-%02d", m.IntN(100), 1+m.IntN(12), 1+m.IntN(28))}
	}
	if m.yes() {
		p.Cost = &typev1.Money{CurrencyCode: "ZAR", Amount: strconv.Itoa(m.IntN(999)) + pick(m, []string{"", ".5", ".0001"})}
		p.CostPer = amount(m.number(50), string(pick(m, AmountUnits(p.GetForm()))))
	}
	chosen := some(m, catalog(), 3)
	if len(chosen) == 0 {
		chosen = catalog()[:1]
	}
	for _, active := range chosen {
		p.Contents = append(p.Contents, &productsv1.Content{ActiveIngredient: active.ID, Amount: amount(m.number(300), string(ContentUnit(p.GetForm())))})
	}
	// One direction of each method cannot cover what another covers.
	for _, method := range some(m, []productsv1.Method{spray, drench, bath}, 3) {
		p.Directions = append(p.Directions, m.direction(p, chosen, method))
	}
	return p
}

func (m maker) answer() productsv1.LabelAnswer { return productsv1.LabelAnswer(m.IntN(3)) }

func (m maker) direction(p *productsv1.Product, actives []ActiveIngredient, method productsv1.Method) *productsv1.LabelDirection {
	d := &productsv1.LabelDirection{Method: method, DisorderClasses: some(m, actives[0].WorksOn, 5)}
	if len(d.GetDisorderClasses()) == 0 {
		d.DisorderClasses = actives[0].WorksOn
	}
	var disorders []string
	for _, disorder := range diagnosis.Disorders() {
		if slices.Contains(d.GetDisorderClasses(), disorder.Class) {
			disorders = append(disorders, disorder.ID)
		}
	}
	d.Disorders = some(m, disorders, 3)
	above, below := solidRateUnits, waterUnits
	if p.GetForm() == liquidForm {
		above = liquidRateUnits
	}
	if method != bath && m.yes() {
		below = slices.Concat(areaUnits, eachUnits)
	}
	per := pick(m, below)
	unit := string(pick(m, above)) + "/" + pick(m, []string{"", "100 "}) + string(per)
	if !slices.Contains(countedUnits, per) {
		unit = string(pick(m, above)) + "/" + string(per)
	}
	d.RateMin, d.RateMax = m.pair(9, unit)
	d.Crops = some(m, []string{"ornamentals", "orchids", "Rosa", "Cymbidium lowianum", "bedding-plants"}, 4)
	d.Sites = some(m, []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR}, 2)
	m.limits(d, actives)
	return d
}

func (m maker) limits(d *productsv1.LabelDirection, actives []ActiveIngredient) {
	least, most := m.pair(900, pick(m, []string{"L/ha", "mL/pot", "gal/1000 ft2", "fl oz/acre"}))
	d.WaterVolumeMin = pick(m, []*typev1.Quantity{nil, least})
	d.WaterVolumeMax = pick(m, []*typev1.Quantity{nil, most})
	d.RestrictedEntryInterval = pick(m, []*typev1.Quantity{nil, amount("0", "h"), amount(m.number(72), "h")})
	d.MinIntervalDays, d.MaxApplicationsPerCropCycle, d.MaxApplicationsPerYear = int32(m.IntN(30)), int32(m.IntN(5)), int32(m.IntN(9))
	d.MaxConsecutiveApplications = int32(m.IntN(4))
	if m.yes() {
		days := int32(m.IntN(3))
		d.SaleIntervalDays = &days
	}
	d.TemperatureMin = pick(m, []*typev1.Quantity{nil, amount("-"+m.number(9), "Cel"), amount("0", "Cel")})
	d.TemperatureMax = pick(m, []*typev1.Quantity{nil, amount(m.number(50), "Cel")})
	d.OpenBloom, d.Chemigation = productsv1.Permission(m.IntN(3)), productsv1.Permission(m.IntN(3))
	if m.yes() {
		d.ProtectiveEquipment = m.text(200)
	}
	for _, active := range some(m, actives, 2) {
		d.ActiveLimits = append(d.ActiveLimits, &productsv1.ActiveLimit{
			ActiveIngredient: active.ID, MostPerYear: amount(m.number(9), pick(m, []string{"kg/ha", "lb/acre", "g/m2", "oz/1000 ft2"})),
		})
	}
}

// labelled is a product whose directions are silent on some of the facts that
// they lack.
func (m maker) labelled(t *testing.T, id string) Product {
	t.Helper()
	message := m.product()
	message.RegistrationNumber += id // one registration is one product
	product, faults := readProduct("product", id, message, names{})
	require.Empty(t, faults, message)
	for i, direction := range product.Directions {
		for _, fact := range direction.Missing() {
			if fact != productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL && m.yes() {
				message.Directions[i].SilentOn = append(message.Directions[i].SilentOn, fact)
			}
		}
	}
	product, faults = readProduct("product", id, message, names{})
	require.Empty(t, faults, message)
	violations, _ := contractViolations(message)
	require.Empty(t, violations, message)
	return product
}

// Whatever stands on a label comes back from a file as it was, to the last field
// and sign.
func TestNoFactOfAnyLabelIsLostInAFile(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(2026, 11))}
	for range 60 {
		var shelf []Product
		for i := range 20 {
			shelf = append(shelf, m.labelled(t, "p-"+strconv.Itoa(10+i)))
		}
		for _, file := range []struct {
			write func([]Product) ([]byte, error)
			read  func([]byte, *rejection) []fileProduct
		}{{writeCSV, readCSV}, {writeJSON, readJSON}} {
			data, err := file.write(shelf)
			require.NoError(t, err)
			problems := &rejection{}
			back := judgeFile(file.read(data, problems), names{}, problems)
			require.NoError(t, problems.fault(), string(data))
			require.Len(t, back, len(shelf))
			for i, product := range back {
				require.True(t, proto.Equal(shelf[i].contract("test"), product.contract("test")), "%s\n%s", shelf[i].contract("test"), product.contract("test"))
			}
			again, err := file.write(back)
			require.NoError(t, err)
			require.Equal(t, string(data), string(again))
		}
	}
}

// The same through the database, and back out as the same bytes.
func TestNoFactOfAnyLabelIsLostInTheDatabase(t *testing.T) {
	m := maker{rand.New(rand.NewPCG(2026, 12))}
	f := setUp(t)
	var shelf []Product
	for i := range 200 {
		shelf = append(shelf, m.labelled(t, "p-"+strconv.Itoa(100+i)))
	}
	data, err := writeCSV(shelf)
	require.NoError(t, err)
	done, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, string(data)))
	require.NoError(t, err)
	require.EqualValues(t, len(shelf), done.GetCreated())
	require.Equal(t, string(data), string(f.export(t, csvFormat)))
	asJSON, err := writeJSON(shelf)
	require.NoError(t, err)
	require.Equal(t, string(asJSON), string(f.export(t, jsonForm)))
	again, err := f.client.ImportProducts(f.manager, importRequest(jsonForm, string(asJSON)))
	require.NoError(t, err)
	require.EqualValues(t, len(shelf), again.GetUnchanged())
}
