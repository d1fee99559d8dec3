package rules

import (
	_ "embed"
	"fmt"

	"velamen/internal/rulefile"
)

var (
	//go:embed data/rotation.yaml
	rotationFile []byte
	//go:embed data/spacing.yaml
	spacingFile []byte
	//go:embed data/weather.yaml
	weatherFile []byte
)

// mustLoad reads an embedded rule set. The files are part of the binary and tests
// read them, so a fault in one is a broken build.
func mustLoad[T any](file []byte, parse func([]byte) (T, error)) T {
	set, err := parse(file)
	if err != nil {
		panic(err)
	}
	return set
}

// origin is where a row of a rule set comes from.
type origin struct {
	// Mark is S where the source was read and M where it is from memory or common
	// practice.
	Mark   string `yaml:"mark"`
	Source string `yaml:"source"`
}

func (o origin) check() error { return rulefile.CheckOrigin(o.Mark, o.Source) }

// action is what a rule of a file does when it is broken.
func action(text string) (Outcome, error) {
	switch text {
	case "refuse":
		return Refuse, nil
	case "warn":
		return Warn, nil
	default:
		return 0, fmt.Errorf("action: %q is not refuse or warn", text)
	}
}
