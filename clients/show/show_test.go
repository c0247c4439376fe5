package show_test

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestQuantity(t *testing.T) {
	for _, c := range []struct {
		value       float64
		unit, basis string
		want        string
	}{
		{187.44, "Cel", "", "187.4 °C"},
		{-0.02, "Cel", "", "0.0 °C"},
		{372.5, "[degF]", "", "372.5 °F"},
		{312.4, "g", "", "312.4 g"},
		{312.425, "g", "", "312.43 g"},
		{150, "g", "", "150.0 g"},
		{11.2, "%", "wet", "11.2 % wet"},
		{683, "g/L", "", "683 g/L"},
		{0.543, "1", "", "0.543"},
		{7, "1", "", "7"},
		{587, "s", "", "9:47 min"},
		{3599.6, "s", "", "60:00 min"},
		{-72, "s", "", "-1:12 min"},
		{math.NaN(), "Cel", "", "no value"},
		{math.Inf(1), "s", "", "no value"},
	} {
		if got := show.Quantity(c.value, c.unit, c.basis); got != c.want {
			t.Errorf("%v %s %s shows as %q, want %q", c.value, c.unit, c.basis, got, c.want)
		}
	}
}

func TestQuantityWithin(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		unit     string
		want     string
	}{
		{14.181, 0.0571, "%", "14.18 ± 0.06 %"},
		{11.2, 0.3, "%", "11.2 ± 0.3 %"},
		{312.42, 0.05, "g", "312.42 ± 0.05 g"},
		{187.44, 1.3, "Cel", "187.4 ± 1.3 °C"},
		{683, 4, "g/L", "683 ± 4 g/L"},
		{683, 12, "g/L", "683 ± 12 g/L"},
		{21.9, 0.0289, "Cel", "21.90 ± 0.03 °C"},
		{14.1, 0, "%", "14.1 %"},
	} {
		if got := show.QuantityWithin(c.value, proto.Float64(c.u), c.unit, ""); got != c.want {
			t.Errorf("%v ± %v %s shows as %q, want %q", c.value, c.u, c.unit, got, c.want)
		}
	}
}

// Whatever is in the cells, columns are aligned and nothing reaches the terminal
// that could steer it.
func TestTableIsAlignedAndPlain(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		table := show.NewTable("A", ">B", "C")
		rows := rapid.SliceOfN(rapid.SliceOfN(rapid.String(), 3, 3), 1, 8).Draw(r, "rows")
		for _, row := range rows {
			row[2] = "|" // stands where the columns before it end
			table.Add(row...)
		}
		var b bytes.Buffer
		if err := table.Write(&b, nil); err != nil {
			r.Fatal(err)
		}
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if len(lines) != len(rows)+1 {
			r.Fatalf("%d lines for %d rows: %q", len(lines), len(rows), b.String())
		}
		end := -1
		for _, line := range lines[1:] {
			at := utf8.RuneCountInString(line[:strings.LastIndex(line, "|")])
			if end >= 0 && at != end {
				r.Fatalf("column begins at %d and at %d:\n%s", end, at, b.String())
			}
			end = at
			for _, c := range line {
				if unicode.IsControl(c) {
					r.Fatalf("control character %U in %q", c, line)
				}
			}
		}
	})
}

func TestColourOnlyRepeats(t *testing.T) {
	flag := &pb.Entry{RecordedAt: timestamppb.New(time.Unix(0, 0)), Body: &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{
		Code: pb.FlagCode_FLAG_CODE_EMPTY_QUEUE, Station: "drum-1", Text: "charge with nobody in the queue"}}}
	tell := func(colour bool) string {
		var b bytes.Buffer
		if err := show.NewNarrator(&b, show.Style{Zone: time.UTC, Colour: colour}).Tell(flag); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	plain, coloured := tell(false), tell(true)
	if strings.Contains(plain, "\x1b") || !strings.Contains(coloured, "\x1b") {
		t.Fatalf("plain is %q, coloured %q", plain, coloured)
	}
	if got := strings.NewReplacer("\x1b[33m", "", "\x1b[0m", "").Replace(coloured); got != plain {
		t.Errorf("without colour it reads %q, want %q", got, plain)
	}
}

// Every kind of entry has words; a kind of a newer hub is told as such.
func TestEveryKindIsTold(t *testing.T) {
	e := &pb.Entry{}
	bodies := e.ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range bodies.Len() {
		e := &pb.Entry{Cursor: 7}
		e.ProtoReflect().Mutable(bodies.Get(i))
		if got := told(t, e); strings.Contains(got, "newer one") {
			t.Errorf("%s has no words: %q", bodies.Get(i).Name(), got)
		}
	}
	if got := told(t, &pb.Entry{Cursor: 7}); !strings.Contains(got, "newer one") {
		t.Errorf("an unknown kind is told as %q", got)
	}
}

func told(t *testing.T, e *pb.Entry) string {
	t.Helper()
	var b bytes.Buffer
	if err := show.NewNarrator(&b, show.Style{Zone: time.UTC}).Tell(e); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestAge(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second:            "0 s",
		1500 * time.Millisecond: "1.5 s",
		90 * time.Second:        "90 s",
		3 * time.Minute:         "3 min",
		5 * time.Hour:           "5 h",
		72 * time.Hour:          "3 days",
	} {
		if got := show.Age(d); got != want {
			t.Errorf("%v shows as %q, want %q", d, got, want)
		}
	}
}

func TestChoice(t *testing.T) {
	kinds := pb.MarkKind(0).Descriptor()
	for _, text := range show.Choices(kinds) {
		n, ok := show.Choice(kinds, strings.ToUpper(strings.ReplaceAll(text, "-", "_")))
		if !ok || show.Hyphened(pb.MarkKind(n)) != text {
			t.Errorf("%q is read as %v", text, pb.MarkKind(n))
		}
	}
	for _, text := range []string{"", "unspecified", "popping"} {
		if n, ok := show.Choice(kinds, text); ok {
			t.Errorf("%q is read as %v", text, pb.MarkKind(n))
		}
	}
}
