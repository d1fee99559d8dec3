package cli

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	typev1 "velamen/gen/velamen/type/v1"
)

// parsed is a flag whose text is parsed into a value of its own.
type parsed struct {
	kind  string
	text  string
	parse func(typed string) error
}

func (p *parsed) String() string { return p.text }
func (p *parsed) Type() string   { return p.kind }

func (p *parsed) Set(typed string) error {
	if err := p.parse(typed); err != nil {
		return err
	}
	p.text = typed
	return nil
}

func quantityFlag(flags *pflag.FlagSet, target **typev1.Quantity, name, usage string) {
	flags.Var(&parsed{kind: "amount", parse: func(typed string) (err error) {
		*target, err = parseQuantityLike(exampleIn(usage), typed)
		return err
	}}, name, usage)
}

// exampleIn is the amount that the help of a flag shows behind "as in", so that its
// error shows the same.
func exampleIn(usage string) string {
	_, example, found := strings.Cut(usage, "as in ")
	if !found {
		return "120g or 2.5L"
	}
	example, _, _ = strings.Cut(example, " (")
	example, _, _ = strings.Cut(example, ";")
	return example
}

// flagError says in plain words what is wrong with a number or a yes.
func flagError(_ *cobra.Command, err error) error {
	var invalid *pflag.InvalidValueError
	var number *strconv.NumError
	if !errors.As(err, &invalid) || !errors.As(err, &number) {
		return err
	}
	rule := "it must be a whole number"
	switch {
	case number.Func == "ParseBool":
		rule = "it must be true or false"
	case errors.Is(number, strconv.ErrRange):
		rule = "the number is too large"
	}
	return fmt.Errorf("--%s %q: %s", invalid.GetFlag().Name, invalid.GetValue(), rule)
}

func moneyFlag(flags *pflag.FlagSet, target **typev1.Money, name, usage string) {
	flags.Var(&parsed{kind: "money", parse: func(typed string) (err error) {
		*target, err = parseMoney(typed)
		return err
	}}, name, usage)
}

// eachFlag is a flag that may be repeated, each time with text of the same kind.
func eachFlag[T any](flags *pflag.FlagSet, target *[]T, parse func(typed string) (T, error), kind, name, usage string) {
	flags.Var(&parsed{kind: kind, parse: func(typed string) error {
		value, err := parse(typed)
		if err != nil {
			return err
		}
		*target = append(*target, value)
		return nil
	}}, name, usage+" (may be repeated)")
}

// yesNoFlag is a flag for what is known to be so, known not to be so, or not said.
func yesNoFlag(flags *pflag.FlagSet, target **bool, name, usage string) {
	flags.Var(&parsed{kind: "yes|no", parse: func(typed string) error {
		value, err := parseYesNo(typed)
		*target = value
		return err
	}}, name, usage+": yes or no")
}

// enum is any enum of the contract.
type enum interface {
	~int32
	protoreflect.Enum
}

func enumFlag[E enum](flags *pflag.FlagSet, target *E, name, usage string) {
	flags.Var(&parsed{kind: "word", parse: func(typed string) (err error) {
		*target, err = enumOf[E](typed)
		return err
	}}, name, usage+": "+words[E]())
}

func enumsFlag[E enum](flags *pflag.FlagSet, target *[]E, name, usage string) {
	flags.Var(&parsed{kind: "words", parse: func(typed string) error {
		for word := range strings.SplitSeq(typed, ",") {
			value, err := enumOf[E](word)
			if err != nil {
				return err
			}
			*target = append(*target, value)
		}
		return nil
	}}, name, usage+" (may be repeated): "+words[E]())
}

// word is an enum value as people type and read it: STEP_KIND_LAB_TEST is
// lab-test. The value that means nothing is the empty text.
func word(value protoreflect.Enum) string {
	descriptor := value.Descriptor().Values().ByNumber(value.Number())
	if descriptor == nil {
		return fmt.Sprint(value.Number())
	}
	if value.Number() == 0 {
		return ""
	}
	name := strings.TrimPrefix(string(descriptor.Name()), prefixOf(value.Descriptor()))
	return strings.ToLower(strings.ReplaceAll(name, "_", "-"))
}

// prefixOf is what all values of an enum begin with (buf's STANDARD rules).
func prefixOf(descriptor protoreflect.EnumDescriptor) string {
	return strings.TrimSuffix(string(descriptor.Values().ByNumber(0).Name()), "UNSPECIFIED")
}

func enumOf[E enum](typed string) (E, error) {
	descriptor := E(0).Descriptor()
	name := prefixOf(descriptor) + strings.ToUpper(strings.ReplaceAll(strings.TrimSpace(typed), "-", "_"))
	value := descriptor.Values().ByName(protoreflect.Name(name))
	if value == nil || value.Number() == 0 {
		return 0, fmt.Errorf("%q is none of %s", typed, words[E]())
	}
	return E(value.Number()), nil
}

// words lists what an enum flag takes.
func words[E enum]() string {
	values := E(0).Descriptor().Values()
	var all []string
	for i := range values.Len() {
		if number := values.Get(i).Number(); number != 0 {
			all = append(all, word(E(number)))
		}
	}
	return strings.Join(all, ", ")
}

func wordsOf[E protoreflect.Enum](values []E) string {
	all := make([]string, len(values))
	for i, value := range values {
		all[i] = word(value)
	}
	return strings.Join(all, ", ")
}

// changed is the mask of the fields of a message whose flags were given. The
// flags are named after the fields; they may be absent in what is sent, which
// clears the field.
func changed(flags *pflag.FlagSet, message proto.Message) (*fieldmaskpb.FieldMask, error) {
	fields := message.ProtoReflect().Descriptor().Fields()
	mask := &fieldmaskpb.FieldMask{}
	var possible []string
	flags.VisitAll(func(flag *pflag.Flag) {
		path := strings.ReplaceAll(flag.Name, "-", "_")
		if fields.ByName(protoreflect.Name(path)) == nil || path == "etag" {
			return
		}
		possible = append(possible, "--"+flag.Name)
		if flag.Changed {
			mask.Paths = append(mask.Paths, path)
		}
	})
	if len(mask.GetPaths()) == 0 {
		slices.Sort(possible)
		return nil, usagef("nothing to change: give at least one of %s", strings.Join(possible, ", "))
	}
	return mask, nil
}
