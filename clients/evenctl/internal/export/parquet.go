package export

import (
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/parquet-go/parquet-go"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// kind is what a column of a Parquet file holds.
type kind int

const (
	text kind = iota
	real
	count
	truth
	instant
)

// kinds say what columns hold that are no text. A name means the same in every table.
var kinds = map[string]kind{
	"value": real, "standard_uncertainty": real, "device_value": real, "elapsed_s": real, "window_s": real, "bean": real,
	"received_mass": real, "charge_mass": real, "roasted_mass": real, "moisture": real, "loss_in_mass": real, "total_time": real,
	"low": real, "high": real, "p_below": real, "p_inside": real, "p_above": real, "accepted_risk": real,
	"cursor": count, "number": count, "revision": count, "flags": count,
	"superseded": truth,
	"at":         instant, "received_at": instant, "registered_at": instant, "charged_at": instant,
}

// node is the column in the schema. Text is empty where nothing is known, and never null, as
// in the record itself; everything else is null.
func (k kind) node() parquet.Node {
	switch k {
	case real:
		return parquet.Optional(parquet.Leaf(parquet.DoubleType))
	case count:
		return parquet.Optional(parquet.Uint(64))
	case truth:
		return parquet.Optional(parquet.Leaf(parquet.BooleanType))
	case instant:
		return parquet.Optional(parquet.Timestamp(parquet.Microsecond))
	}
	return parquet.Encoded(parquet.String(), &parquet.RLEDictionary)
}

// value makes a value of a cell; null for what is not known.
func (k kind) value(cell any) (parquet.Value, error) {
	switch v := cell.(type) {
	case nil:
		return parquet.NullValue(), nil
	case string:
		if k == text {
			return parquet.ByteArrayValue([]byte(v)), nil
		}
	case float64:
		switch {
		case math.IsNaN(v) || math.IsInf(v, 0):
			return parquet.NullValue(), nil
		case k == real:
			return parquet.DoubleValue(v), nil
		}
	case bool:
		if k == truth {
			return parquet.BooleanValue(v), nil
		}
	case uint64:
		if k == count {
			return parquet.Int64Value(int64(v)), nil // the bits are what counts
		}
	case int:
		if k == count {
			return parquet.Int64Value(int64(v)), nil
		}
	case *timestamppb.Timestamp:
		switch {
		case v == nil:
			return parquet.NullValue(), nil
		case k == instant:
			return parquet.Int64Value(v.AsTime().UnixMicro()), nil
		}
	}
	return parquet.Value{}, fmt.Errorf("a cell is %T, which its column does not hold", cell)
}

// rowGroup is how many rows are gathered before they are written: they are in memory.
const rowGroup = 100_000

// Parquet writes t as a Parquet file, compressed with Snappy. Its columns are those of the
// other forms, typed, and in the order of their names; times are to the microsecond, UTC.
func (t Table) Parquet(w io.Writer) error {
	schema := parquet.Group{}
	order := slices.Sorted(slices.Values(t.Columns))
	place := make([]int, len(t.Columns))
	for i, name := range t.Columns {
		schema[name] = kinds[name].node()
		place[i] = slices.Index(order, name)
	}
	out := parquet.NewGenericWriter[any](w, parquet.NewSchema("evenbench", schema), parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(rowGroup))
	row := make(parquet.Row, len(t.Columns))
	for cells, err := range t.Rows {
		if err != nil {
			return err // half a Parquet file is none
		}
		for i, cell := range cells {
			k := kinds[t.Columns[i]]
			v, err := k.value(cell)
			if err != nil {
				return fmt.Errorf("write column %s: %w", t.Columns[i], err)
			}
			defined := 0
			if k != text && !v.IsNull() {
				defined = 1
			}
			if k == text && v.IsNull() {
				v = parquet.ByteArrayValue(nil)
			}
			row[place[i]] = v.Level(0, defined, place[i])
		}
		if _, err := out.WriteRows([]parquet.Row{row}); err != nil {
			return err
		}
	}
	return out.Close()
}
