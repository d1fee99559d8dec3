package products

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Ornamentals is the crop group of everything that this service is for: a label
// that lists it allows every plant of the nursery.
const Ornamentals = "ornamentals"

// CropGroup is a group of plants that labels name.
type CropGroup struct {
	// ID is the name that a label direction lists, for example "orchids".
	ID string
	// Genera are those that belong to it, in lower case; none for Ornamentals,
	// which all do.
	Genera []string
	// Source is where it stands what belongs to it.
	Source string
}

//go:embed catalog/crop-groups.yaml
var cropGroupsFile []byte

// cropGroups are the embedded groups by id. The file is part of the binary and a
// test reads it, so a fault in it is a broken build.
var cropGroups = sync.OnceValue(func() map[string]CropGroup {
	groups, err := parseCropGroups(cropGroupsFile)
	if err != nil {
		panic(err)
	}
	byID := map[string]CropGroup{}
	for _, group := range groups {
		byID[group.ID] = group
	}
	return byID
})

// CropGroups returns the crop groups that labels may list, by id.
func CropGroups() []CropGroup {
	var groups []CropGroup
	for _, group := range cropGroups() {
		groups = append(groups, group)
	}
	slices.SortFunc(groups, func(a, b CropGroup) int { return strings.Compare(a.ID, b.ID) })
	return groups
}

// cropGroupRow is a group as the file writes it.
type cropGroupRow struct {
	ID     string   `yaml:"id"`
	Genera []string `yaml:"genera"`
	Source string   `yaml:"source"`
}

var (
	groupID   = regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	genusForm = regexp.MustCompile(`^[A-Z][a-zë]+$`)
)

// parseCropGroups reads the groups and refuses an unknown field, a group without
// genera or source, and genera that are not names or stand twice.
func parseCropGroups(file []byte) ([]CropGroup, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	var rows []cropGroupRow
	if err := decoder.Decode(&rows); err != nil {
		return nil, fmt.Errorf("crop groups: %w", err)
	}
	groups := make([]CropGroup, 0, len(rows))
	for i, row := range rows {
		group, err := row.group()
		if err != nil {
			return nil, fmt.Errorf("crop group %d (%q): %w", i+1, row.ID, err)
		}
		if slices.ContainsFunc(groups, func(other CropGroup) bool { return other.ID == group.ID }) {
			return nil, fmt.Errorf("crop group %q stands twice", group.ID)
		}
		groups = append(groups, group)
	}
	return groups, nil
}

func (row cropGroupRow) group() (CropGroup, error) {
	if !groupID.MatchString(row.ID) {
		return CropGroup{}, errors.New("id must be lower-case words with hyphens")
	}
	if row.Source == "" {
		return CropGroup{}, errors.New("source must be given")
	}
	if (len(row.Genera) == 0) != (row.ID == Ornamentals) {
		return CropGroup{}, fmt.Errorf("genera must be given, except for %s, which lists none", Ornamentals)
	}
	group := CropGroup{ID: row.ID, Source: row.Source}
	for _, genus := range row.Genera {
		if !genusForm.MatchString(genus) {
			return CropGroup{}, fmt.Errorf("%q is not the name of a genus", genus)
		}
		if lower := strings.ToLower(genus); !slices.Contains(group.Genera, lower) {
			group.Genera = append(group.Genera, lower)
			continue
		}
		return CropGroup{}, fmt.Errorf("%s stands twice", genus)
	}
	return group, nil
}

// CropListed reports whether one of the crops that a label lists covers a plant by
// its botanical name: a crop group that its genus belongs to, its genus, or its
// species.
func CropListed(listed []string, botanicalName string) bool {
	name := plainName(botanicalName)
	genus, _, _ := strings.Cut(name, " ")
	for _, crop := range listed {
		crop = plainName(crop)
		if crop == Ornamentals || crop == genus || crop == name || strings.HasPrefix(name, crop+" ") {
			return true
		}
		if group, known := cropGroups()[crop]; known && slices.Contains(group.Genera, genus) {
			return true
		}
	}
	return false
}

// plainName returns a botanical name in lower case with single spaces and without
// the sign of a hybrid genus.
func plainName(name string) string {
	words := strings.Fields(strings.ToLower(strings.ReplaceAll(name, "×", "× ")))
	if len(words) > 1 && (words[0] == "×" || words[0] == "x") {
		words = words[1:]
	}
	return strings.Join(words, " ")
}

// normalCrop returns a crop as labels list it: a group by its id, a botanical name
// with its genus capitalised and the rest in lower case.
func normalCrop(text string) (string, error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return "", errors.New("must name a crop group, a genus or a species")
	}
	for _, char := range text {
		if !unicode.IsLetter(char) && !strings.ContainsRune(" -×.", char) {
			return "", fmt.Errorf("%q is not a crop group, a genus or a species by its botanical name", text)
		}
	}
	if id := normalName(text); id == Ornamentals || cropGroups()[id].ID != "" {
		return id, nil
	}
	name := plainName(text)
	initial, size := utf8.DecodeRuneInString(name)
	if !unicode.IsLetter(initial) || name == "x" {
		return "", fmt.Errorf("%q is not a crop group, a genus or a species by its botanical name", text)
	}
	return string(unicode.ToUpper(initial)) + name[size:], nil
}

// cropsOverlap reports whether two lists of crops, of which an empty one means
// every crop, cover a plant in common.
func cropsOverlap(a, b []string) bool {
	if len(a) == 0 || len(b) == 0 {
		return true
	}
	return slices.ContainsFunc(a, func(crop string) bool {
		return slices.ContainsFunc(b, func(other string) bool { return cropOverlaps(crop, other) })
	})
}

func cropOverlaps(a, b string) bool {
	if CropListed([]string{a}, b) || CropListed([]string{b}, a) {
		return true
	}
	inOne, known := cropGroups()[plainName(a)]
	inOther, both := cropGroups()[plainName(b)]
	return known && both && overlap(inOne.Genera, inOther.Genera)
}
