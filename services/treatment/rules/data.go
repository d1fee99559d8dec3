package rules

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"time"

	"go.yaml.in/yaml/v3"
)

var (
	//go:embed data/rotation.yaml
	rotationFile []byte
	//go:embed data/spacing.yaml
	spacingFile []byte
	//go:embed data/weather.yaml
	weatherFile []byte
)

// decodeStrict reads one YAML document and refuses an unknown field and a second
// document.
func decodeStrict(file []byte, into any) error {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	if err := decoder.Decode(into); err != nil {
		return err
	}
	if err := decoder.Decode(new(any)); !errors.Is(err, io.EOF) {
		return errors.New("holds more than one document")
	}
	return nil
}

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

// checkHead refuses a rule set without its source and the day of its data.
func checkHead(source, date string) error {
	if source == "" {
		return errors.New("source: must be given")
	}
	if _, err := time.Parse(time.DateOnly, date); err != nil {
		return fmt.Errorf("date: %q is not a day (YYYY-MM-DD)", date)
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
