package products

import (
	"bytes"
	_ "embed"
	"fmt"
	"regexp"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"
)

// fracCode are the forms that FRAC uses: a number, a multi-site M, a plant
// defence P, a biological BM, an unknown U with two digits, or NC.
var fracCode = regexp.MustCompile(`^([1-9][0-9]?|(M|P|BM|U)[0-9]{2}|NC)$`)

// oldFRACCodes are codes that stand on older labels and lists, with those that
// the FRAC Code List gives these groups now; from memory.
var oldFRACCodes = map[string]string{"33": "P07", "44": "BM02", "U15": "49"}

// shortFRACCode is a code of a lettered group without its leading zero, as lists
// wrote it before 2019 (year from memory).
var shortFRACCode = regexp.MustCompile(`^(M|P|BM|U)([0-9])$`)

// NormalFRACCode returns a FRAC code as the present list writes it: M1 is M01, 33
// is P07, 44 is BM02 and U15 is 49. It returns an error for what is no FRAC code.
func NormalFRACCode(code string) (string, error) {
	normal := strings.ToUpper(strings.TrimSpace(code))
	normal = shortFRACCode.ReplaceAllString(normal, "${1}0${2}")
	if present, old := oldFRACCodes[normal]; old {
		return present, nil
	}
	if !fracCode.MatchString(normal) {
		return "", fmt.Errorf("%q is not a FRAC code, for example 1, M03 or P07", code)
	}
	return normal, nil
}

//go:embed catalog/frac-groups.yaml
var fracGroupsFile []byte

// fracGroups are the short names of groups by FRAC code. The file is part of the
// binary and a test reads it, so a fault in it is a broken build.
var fracGroups = sync.OnceValue(func() map[string]string {
	groups, err := parseFRACGroups(fracGroupsFile)
	if err != nil {
		panic(err)
	}
	return groups
})

// FRACGroup returns a resistance group as a sentence names it: its FRAC code and,
// where it has one, its short name, for example "FRAC 3, DMI".
func FRACGroup(code string) string {
	if name := fracGroups()[code]; name != "" {
		return "FRAC " + code + ", " + name
	}
	return "FRAC " + code
}

func parseFRACGroups(file []byte) (map[string]string, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	var groups map[string]string
	if err := decoder.Decode(&groups); err != nil {
		return nil, fmt.Errorf("FRAC groups: %w", err)
	}
	for code, name := range groups {
		if normal, err := NormalFRACCode(code); err != nil || normal != code || name == "" {
			return nil, fmt.Errorf("FRAC group %q (%q): a present code and a name must be given", code, name)
		}
	}
	return groups, nil
}
