package demo

import (
	"bytes"
	"embed"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
)

//go:embed nursery
var files embed.FS

// nursery is all of the invented data.
type nursery struct {
	ID           string `yaml:"nursery_id"`
	DisplayName  string `yaml:"display_name"`
	TimeZone     string `yaml:"time_zone"`
	Jurisdiction string `yaml:"jurisdiction"`
	Address      string `yaml:"address"`
	OperatorID   string `yaml:"operator_id"`
	County       string `yaml:"county"`
	// EmergencyPhone and EmergencyCare are of no real place.
	EmergencyPhone string    `yaml:"emergency_phone"`
	EmergencyCare  string    `yaml:"emergency_care"`
	People         []person  `yaml:"people"`
	Sprayers       []sprayer `yaml:"sprayers"`

	products   []product
	containers []container
	pictures   map[string]picture
	houses     []byte
	benches    []byte
	lots       []byte
	deliveries []delivery
	events     []lotEvent
	outbreaks  []outbreak
	scouting   scouting
	planning   planning
}

// message returns the nursery of the contract.
func (n *nursery) message() *identityv1.Nursery {
	return &identityv1.Nursery{
		DisplayName: n.DisplayName, TimeZone: n.TimeZone, Jurisdiction: n.Jurisdiction, Address: n.Address,
		OperatorId: n.OperatorID, County: n.County, EmergencyPhone: n.EmergencyPhone, EmergencyCare: n.EmergencyCare,
	}
}

// person works in the nursery; the id is also the login.
type person struct {
	ID           string        `yaml:"id"`
	DisplayName  string        `yaml:"display_name"`
	Role         string        `yaml:"role"`
	Password     string        `yaml:"password"`
	Certificates []certificate `yaml:"certificates"`
	// Qualifications by the manager: trainings, clearances, fit tests, equipment, age.
	Qualifications []qualification `yaml:"qualifications"`
}

func (p person) role() identityv1.Role { return identityv1.Role(identityv1.Role_value[p.Role]) }

type certificate struct {
	Number   string `yaml:"number"`
	Category string `yaml:"category"`
	// Expires is days after the day of the seeding.
	Expires int `yaml:"expires"`
}

// qualification is what a person was given. Given and until count days after the day of
// the seeding, before it with a minus; until is nil for as long as its kind counts.
type qualification struct {
	Kind        string `yaml:"kind"`
	Given       int    `yaml:"given"`
	Until       *int   `yaml:"until"`
	Description string `yaml:"description"`
	Provider    string `yaml:"provider"`
}

// contract is a message of the contract as a file writes it.
type contract struct{ tree any }

// UnmarshalYAML keeps the tree.
func (c *contract) UnmarshalYAML(node *yaml.Node) error { return node.Decode(&c.tree) }

// into fills a message and refuses what the contract does not know.
func (c contract) into(message proto.Message) error {
	body, err := json.Marshal(c.tree)
	if err != nil {
		return err
	}
	return protojson.Unmarshal(body, message)
}

type sprayer struct {
	ID      string   `yaml:"id"`
	Written contract `yaml:"sprayer"`
}

func (s sprayer) message() (*schedulev1.Sprayer, error) {
	message := &schedulev1.Sprayer{}
	return message, s.Written.into(message)
}

type product struct {
	ID      string   `yaml:"id"`
	Written contract `yaml:"product"`
}

func (p product) message() (*productsv1.Product, error) {
	message := &productsv1.Product{}
	return message, p.Written.into(message)
}

// container stands in the chemical store. Received and opened count days back from
// the day of the seeding, expires counts days after it.
type container struct {
	product, id, batch, size string
	received                 int
	// opened is nil while it is sealed.
	opened  *int
	expires int
	place   string
	// counted is what was found in it when the books of the store were begun, empty
	// when it came full; note says so.
	counted, note string
}

// picture is what a disorder looks like to the workers of the demo.
type picture struct {
	Grounds string     `yaml:"grounds"`
	Signs   []contract `yaml:"signs"`
}

func (p picture) observations() ([]*diagnosisv1.Observation, error) {
	observations := make([]*diagnosisv1.Observation, len(p.Signs))
	for i, sign := range p.Signs {
		observations[i] = &diagnosisv1.Observation{}
		if err := sign.into(observations[i]); err != nil {
			return nil, err
		}
	}
	return observations, nil
}

// delivery is a lot whose arrival is known. The lots of lots.csv came into the
// books when the nursery was set up.
type delivery struct {
	lot, botanicalName, cultivar, container, unitValue string
	house, bench                                       string
	plants                                             int64
	origin                                             string
	when                                               moment
	note                                               string
}

// lotEvent is something that happened to a delivery afterwards.
type lotEvent struct {
	// line tells two alike events apart.
	line         int
	lot          string
	kind         string
	plants       int64
	bench        string
	when         moment
	person, note string
}

// outbreak is an invented outbreak with what was done about it.
type outbreak struct {
	Key         string   `yaml:"key"`
	Title       string   `yaml:"title"`
	Disorder    string   `yaml:"disorder"`
	Template    string   `yaml:"template"`
	Lots        []string `yaml:"lots"`
	Found       finding  `yaml:"found"`
	ConfirmedBy string   `yaml:"confirmed_by"`
	// Bench is the isolation bench, house/bench.
	Bench string `yaml:"bench"`
	Steps []step `yaml:"steps"`
	// Breaches are applications that a rule forbids and that were made all the same.
	Breaches []breach `yaml:"breaches"`
	// Then is what happens to the program after its steps were entered.
	Then struct {
		Do   string `yaml:"do"`
		By   string `yaml:"by"`
		Note string `yaml:"note"`
	} `yaml:"then"`
	// Back are the benches that released lots return to, house/bench.
	Back []string `yaml:"back"`
	// Ends is the program's state, and Open the steps that are next, when all is
	// entered; both are empty without a program.
	Ends string `yaml:"ends"`
	Open string `yaml:"open"`
}

// What can happen to a program after its steps were entered.
const (
	thenPause   = "pause"
	thenGiveUp  = "give_up"
	thenDiscard = "discard"
)

// finding is what somebody counted at an inspection.
type finding struct {
	moment   `yaml:",inline"`
	By       string `yaml:"by"`
	Sampled  int64  `yaml:"sampled"`
	Affected int64  `yaml:"affected"`
	Severity int32  `yaml:"severity"`
}

// step is a step that was done.
type step struct {
	Step    string `yaml:"step"`
	moment  `yaml:",inline"`
	Minutes int    `yaml:"minutes"`
	By      string `yaml:"by"`
	// For chemical: what was applied in the house of the isolation bench.
	Product  string `yaml:"product"`
	Amount   string `yaml:"amount"`
	Mix      string `yaml:"mix"`
	Area     string `yaml:"area"`
	Leftover string `yaml:"leftover"`
	// Air is the temperature and Humidity the relative humidity of the air then.
	Air      string `yaml:"air"`
	Humidity string `yaml:"humidity"`
	// For inspections and the release.
	Sampled  int64 `yaml:"sampled"`
	Affected int64 `yaml:"affected"`
	// CutFace is clean or stained.
	CutFace string `yaml:"cut_face"`
	// Overrides are the rules that the manager answers for.
	Overrides []override `yaml:"overrides"`
}

// override is a rule that the manager went against, and why.
type override struct {
	Rule string `yaml:"rule"`
	Note string `yaml:"note"`
}

// breach is an application that confirms no step.
type breach struct {
	step `yaml:",inline"`
	Note string `yaml:"note"`
}

// read reads the embedded files. What is wrong with them is a mistake in this
// package, which its tests find.
func read() (*nursery, error) {
	n := &nursery{}
	var outbreaks struct {
		Outbreaks []outbreak `yaml:"outbreaks"`
	}
	for name, into := range map[string]any{
		"nursery.yaml": n, "products.yaml": &n.products, "signs.yaml": &n.pictures, "outbreaks.yaml": &outbreaks,
		"scouting.yaml": &n.scouting, "planning.yaml": &n.planning,
	} {
		if err := readYAML(name, into); err != nil {
			return nil, err
		}
	}
	n.outbreaks = outbreaks.Outbreaks
	for name, into := range map[string]*[]byte{"houses.csv": &n.houses, "benches.csv": &n.benches, "lots.csv": &n.lots} {
		body, err := files.ReadFile("nursery/" + name)
		if err != nil {
			return nil, err
		}
		*into = body
	}
	var err error
	if n.containers, err = readContainers(); err != nil {
		return nil, err
	}
	if n.deliveries, err = readDeliveries(); err != nil {
		return nil, err
	}
	n.events, err = readLotEvents()
	return n, err
}

func readYAML(name string, into any) error {
	body, err := files.ReadFile("nursery/" + name)
	if err != nil {
		return err
	}
	decoder := yaml.NewDecoder(bytes.NewReader(body))
	decoder.KnownFields(true)
	if err := decoder.Decode(into); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// readTable returns the records of a CSV file below its header.
func readTable(name string) ([][]string, error) {
	body, err := files.ReadFile("nursery/" + name)
	if err != nil {
		return nil, err
	}
	records, err := csv.NewReader(bytes.NewReader(body)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return records[1:], nil
}

func readContainers() ([]container, error) {
	records, err := readTable("containers.csv")
	if err != nil {
		return nil, err
	}
	containers := make([]container, len(records))
	for i, r := range records {
		c := container{product: r[0], id: r[1], batch: r[2], size: r[3], place: r[7], counted: r[8], note: r[9]}
		if c.received, err = strconv.Atoi(r[4]); err == nil && r[5] != "" {
			c.opened = new(int)
			*c.opened, err = strconv.Atoi(r[5])
		}
		if err == nil {
			c.expires, err = strconv.Atoi(r[6])
		}
		if err != nil {
			return nil, fmt.Errorf("containers.csv: %s of %s: %w", c.id, c.product, err)
		}
		containers[i] = c
	}
	return containers, nil
}

func readDeliveries() ([]delivery, error) {
	records, err := readTable("deliveries.csv")
	if err != nil {
		return nil, err
	}
	deliveries := make([]delivery, len(records))
	for i, r := range records {
		d := delivery{
			lot: r[0], botanicalName: r[1], cultivar: r[2], container: r[3], unitValue: r[4],
			house: r[5], bench: r[6], origin: r[8], when: moment{At: r[10]}, note: r[11],
		}
		if d.plants, err = strconv.ParseInt(r[7], 10, 64); err != nil {
			return nil, fmt.Errorf("deliveries.csv: plants of %s: %w", d.lot, err)
		}
		if d.when.Day, err = strconv.Atoi(r[9]); err != nil {
			return nil, fmt.Errorf("deliveries.csv: day of %s: %w", d.lot, err)
		}
		deliveries[i] = d
	}
	return deliveries, nil
}

func readLotEvents() ([]lotEvent, error) {
	records, err := readTable("history.csv")
	if err != nil {
		return nil, err
	}
	events := make([]lotEvent, len(records))
	for i, r := range records {
		e := lotEvent{line: i + 2, lot: r[0], kind: r[1], bench: r[3], when: moment{At: r[5]}, person: r[6], note: r[7]}
		if r[2] != "" {
			if e.plants, err = strconv.ParseInt(r[2], 10, 64); err != nil {
				return nil, fmt.Errorf("history.csv: line %d: plants: %w", e.line, err)
			}
		}
		if e.when.Day, err = strconv.Atoi(r[4]); err != nil {
			return nil, fmt.Errorf("history.csv: line %d: day: %w", e.line, err)
		}
		events[i] = e
	}
	return events, nil
}

// first returns the first person with a role.
func (n *nursery) first(role identityv1.Role) person {
	i := slices.IndexFunc(n.People, func(p person) bool { return p.role() == role })
	return n.People[i]
}
