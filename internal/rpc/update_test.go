package rpc_test

import (
	"testing"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

func stored() *stockv1.Lot {
	return &stockv1.Lot{
		Name: "nurseries/test/lots/l1", BotanicalName: "Vanda coerulea", Cultivar: "Blue", Container: "12 cm pot",
		Bench: "nurseries/test/houses/h1/benches/b1", Plants: 40, Etag: rpc.ETag(3), CreateTime: &timestamppb.Timestamp{Seconds: 1},
	}
}

func TestMerge(t *testing.T) {
	for _, test := range []struct {
		name    string
		changed *stockv1.Lot
		mask    []string
		want    func(*stockv1.Lot)
		field   string
	}{
		{name: "without a mask what is set changes", changed: &stockv1.Lot{Cultivar: "Pink"},
			want: func(l *stockv1.Lot) { l.Cultivar = "Pink" }},
		{name: "without a mask nothing set changes nothing", changed: &stockv1.Lot{}, want: func(*stockv1.Lot) {}},
		{name: "without a mask what cannot change is passed over", changed: &stockv1.Lot{Bench: "elsewhere", Plants: 1, Etag: "x", Name: "y", Cultivar: "Pink"},
			want: func(l *stockv1.Lot) { l.Cultivar = "Pink" }},
		{name: "a mask changes what it names", changed: &stockv1.Lot{Cultivar: "Pink", Container: "15 cm pot"}, mask: []string{"cultivar"},
			want: func(l *stockv1.Lot) { l.Cultivar = "Pink" }},
		{name: "a mask clears what it names and is not set", changed: &stockv1.Lot{}, mask: []string{"cultivar", "container"},
			want: func(l *stockv1.Lot) { l.Cultivar, l.Container = "", "" }},
		{name: "a star replaces all that can change", changed: &stockv1.Lot{BotanicalName: "Vanda tricolor", Plants: 9, Bench: "elsewhere"}, mask: []string{"*"},
			want: func(l *stockv1.Lot) { l.BotanicalName, l.Cultivar, l.Container = "Vanda tricolor", "", "" }},
		{name: "output-only fields in a mask are passed over", changed: &stockv1.Lot{Plants: 9}, mask: []string{"plants", "etag", "name", "create_time"},
			want: func(*stockv1.Lot) {}},
		{name: "an immutable field in a mask is refused", changed: &stockv1.Lot{Bench: "elsewhere"}, mask: []string{"bench"}, field: "update_mask"},
		{name: "an unknown field is refused", changed: &stockv1.Lot{Cultivar: "Pink"}, mask: []string{"cultivar", "price"}, field: "update_mask"},
		{name: "a path into a field is refused", changed: &stockv1.Lot{}, mask: []string{"unit_value.amount"}, field: "update_mask"},
	} {
		t.Run(test.name, func(t *testing.T) {
			lot := stored()
			var mask *fieldmaskpb.FieldMask
			if test.mask != nil {
				mask = &fieldmaskpb.FieldMask{Paths: test.mask}
			}
			err := rpc.Merge(lot, test.changed, mask)
			if test.field != "" {
				f, ok := fault.As(err)
				require.True(t, ok, err)
				require.Equal(t, test.field, f.Field)
				require.True(t, proto.Equal(stored(), lot), "nothing was changed")
				return
			}
			require.NoError(t, err)
			want := stored()
			test.want(want)
			require.True(t, proto.Equal(want, lot), "%v\n%v", want, lot)
		})
	}
}

func TestMergeValidatesTheWhole(t *testing.T) {
	err := rpc.Merge(stored(), &stockv1.Lot{}, &fieldmaskpb.FieldMask{Paths: []string{"botanical_name"}})
	var invalid *protovalidate.ValidationError
	require.ErrorAs(t, err, &invalid)
	require.Equal(t, "lot.botanical_name", protovalidate.FieldPathString(invalid.Violations[0].Proto.GetField()),
		"the path is that in the request")
}

func TestCheckETag(t *testing.T) {
	require.NoError(t, rpc.CheckETag("n", "", 3), "who sends none does not care")
	require.NoError(t, rpc.CheckETag("n", rpc.ETag(3), 3))
	require.True(t, fault.Is(rpc.CheckETag("n", rpc.ETag(2), 3), fault.StaleETag))
	require.True(t, fault.Is(rpc.CheckETag("n", "v3", 3), fault.StaleETag))
}
