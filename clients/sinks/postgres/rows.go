package postgres

import (
	"context"
	"math"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// batch is the rows of entries that are stored together.
type batch struct {
	*sink
	opened   map[string]int32 // runs that begin in it
	runRows  [][]any
	channels [][]any
	readings [][]any
	gaps     [][]any
	assigned [][]any
	// Statements on the parts of roasts, in the order of the record.
	parts pgx.Batch
}

// id returns the id of a run; false for one that was never opened.
func (b *batch) id(run string) (int32, bool) {
	if id, ok := b.opened[run]; ok {
		return id, true
	}
	id, ok := b.runs[run]
	return id, ok
}

func (b *batch) add(e *pb.Entry) {
	cursor := int64(e.GetCursor())
	switch m := e.GetBody().(type) {
	case *pb.Entry_RunOpened:
		b.open(m.RunOpened, cursor)
	case *pb.Entry_Readings:
		b.read(m.Readings, cursor)
	case *pb.Entry_Gap:
		g := m.Gap
		b.gaps = append(b.gaps, []any{g.GetRun(), g.GetInstrument(), int64(g.GetFirstNumber()), int64(g.GetCount()), when(g.GetFrom()), when(g.GetTo()), word(g.GetReason()), cursor})
	case *pb.Entry_ReadingsAssigned:
		a := m.ReadingsAssigned
		if id, ok := b.id(a.GetRun()); ok {
			b.assigned = append(b.assigned, []any{id, int64(a.GetFirstNumber()), int64(a.GetLastNumber()), orNull(a.GetSample()), a.GetReason(), cursor})
		}
	case *pb.Entry_RoastOpened:
		b.part(m.RoastOpened.GetRoast(), m.RoastOpened.GetRun(), m.RoastOpened.GetFirstNumber(), cursor)
	case *pb.Entry_RoastContinued:
		b.ended(m.RoastContinued.GetRoast(), m.RoastContinued.GetLastNumber())
		b.part(m.RoastContinued.GetRoast(), m.RoastContinued.GetRun(), 1, cursor)
	case *pb.Entry_RoastClosed:
		b.ended(m.RoastClosed.GetRoast(), m.RoastClosed.GetLastNumber())
	}
}

func (b *batch) open(m *pb.RunOpened, cursor int64) {
	if _, known := b.id(m.GetRun()); known {
		return
	}
	id := int32(len(b.runs) + len(b.opened) + 1)
	b.opened[m.GetRun()] = id
	b.runRows = append(b.runRows, []any{id, m.GetInstrument(), m.GetRun(), m.GetStation(), m.GetSheet(), m.GetDeviceIdentity(), when(m.GetOpenedAt()), cursor})
	for _, c := range m.GetChannels() {
		b.channels = append(b.channels, []any{id, c.GetName(), c.GetQuantity(), c.GetBasis(), c.GetUnit(), c.GetProperty(), c.GetRole()})
	}
}

func (b *batch) read(m *pb.ReadingBatch, cursor int64) {
	id, ok := b.id(m.GetRun())
	if !ok { // not even a run that nothing else is known of is a reason to leave any out
		b.open(&pb.RunOpened{Instrument: m.GetInstrument(), Run: m.GetRun()}, cursor)
		id, _ = b.id(m.GetRun())
	}
	for r := range m.Rows() {
		q, reasons := r.Quality()
		var u any
		if v, known := r.StandardUncertainty(); known {
			u = number(v)
		}
		b.readings = append(b.readings, []any{
			id, int64(r.Number), r.Series.GetChannel(), r.At, number(r.Value), u, word(q), words(reasons),
			number(r.DeviceValue()), r.DeviceText(), r.Series.GetCalibration(), orNull(boundTo(m, r.Number)), cursor,
		})
	}
}

func boundTo(m *pb.ReadingBatch, number uint64) string {
	row := number - m.GetFirstNumber()
	for _, x := range m.GetBindings() {
		if row >= uint64(x.GetFirstRow()) && row <= uint64(x.GetLastRow()) {
			return x.GetSample()
		}
	}
	return ""
}

func (b *batch) part(roast, run string, first uint64, cursor int64) {
	if id, ok := b.id(run); ok {
		b.parts.Queue("INSERT INTO roast_part (roast, run, first_number, cursor) VALUES ($1, $2, $3, $4)", roast, id, int64(first), cursor)
	}
}

func (b *batch) ended(roast string, last uint64) {
	b.parts.Queue("UPDATE roast_part SET last_number = $2 WHERE roast = $1 AND last_number IS NULL", roast, int64(last))
}

// store stores the rows.
func (b *batch) store(ctx context.Context, tx pgx.Tx) error {
	for _, t := range []struct {
		table   string
		columns string
		rows    [][]any
	}{
		{"run", "id instrument run station sheet device opened_at cursor", b.runRows},
		{"channel", "run channel quantity basis unit property role", b.channels},
		{"reading", "run number channel at value standard_uncertainty quality reasons device_value device_text calibration sample cursor", b.readings},
		{"gap", "run instrument first_number missing since until reason cursor", b.gaps},
		{"assignment", "run first_number last_number sample reason cursor", b.assigned},
	} {
		if err := copyRows(ctx, tx, t.table, t.columns, t.rows); err != nil {
			return err
		}
	}
	if b.parts.Len() == 0 {
		return nil
	}
	return tx.SendBatch(ctx, &b.parts).Close()
}

func copyRows(ctx context.Context, tx pgx.Tx, table, columns string, rows [][]any) error {
	if len(rows) == 0 {
		return nil
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"evenbench", table}, strings.Fields(columns), pgx.CopyFromRows(rows))
	return err
}

// number is a number as a column has it: null where there is none.
func number(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

func optional(v *float64) any {
	if v == nil {
		return nil
	}
	return number(*v)
}

func orNull(text string) any {
	if text == "" {
		return nil
	}
	return text
}

func when(t *timestamppb.Timestamp) any {
	if t == nil {
		return nil
	}
	return t.AsTime().Truncate(time.Microsecond)
}

// word is the value of an enumeration as one word, first_crack; empty if it says nothing.
func word(e protoreflect.Enum) string {
	if e.Number() == 0 {
		return ""
	}
	return strings.ReplaceAll(show.Words(e), " ", "_")
}

func words(list []pb.QualityReason) string {
	if len(list) == 0 {
		return ""
	}
	out := make([]string, len(list))
	for i, r := range list {
		out[i] = word(r)
	}
	return strings.Join(out, " ")
}
