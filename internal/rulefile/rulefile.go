// Package rulefile reads the files in which rules stand as data.
package rulefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Decode reads one YAML document and refuses an unknown field and a second document:
// what nobody reads is misspelt.
func Decode(file []byte, into any) error {
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

// CheckHead refuses a file without its source and the day of its data.
func CheckHead(source, date string) error {
	if source == "" {
		return errors.New("source: must be given")
	}
	return CheckDay("date", date)
}

// CheckOrigin refuses a row without its source, or without a mark of whether that was
// read (S) or is from memory (M).
func CheckOrigin(mark, source string) error {
	if source == "" {
		return errors.New("source: must be given")
	}
	if mark != "S" && mark != "M" {
		return fmt.Errorf("mark: %q is not S (read in the source) or M (from memory)", mark)
	}
	return nil
}

// CheckOriginInWords is CheckOrigin for rows whose source people see without the mark: it
// must say "from memory" where the mark is M, and only there.
func CheckOriginInWords(mark, source string) error {
	if err := CheckOrigin(mark, source); err != nil {
		return err
	}
	memory := strings.Contains(source, "from memory")
	switch {
	case mark == "M" && !memory:
		return errors.New(`source: must say what is "from memory"`)
	case mark == "S" && memory:
		return errors.New("mark: must be M for what is from memory")
	}
	return nil
}

// CheckDay refuses what is no day of the calendar, YYYY-MM-DD.
func CheckDay(field, text string) error {
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return fmt.Errorf("%s: %q is not a day (YYYY-MM-DD)", field, text)
	}
	return nil
}
