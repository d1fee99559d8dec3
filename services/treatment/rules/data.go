package rules

import (
	_ "embed"
	"errors"
	"fmt"
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

func (o origin) check() error {
	if o.Source == "" {
		return errors.New("source: must be given")
	}
	if o.Mark != "S" && o.Mark != "M" {
		return fmt.Errorf("mark: %q is not S (read in the source) or M (from memory)", o.Mark)
	}
	return nil
}

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
