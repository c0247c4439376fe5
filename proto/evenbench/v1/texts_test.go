package evenbenchv1_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What a display shows is a number of so many decimals.
func TestDecimals(t *testing.T) {
	for _, c := range []struct {
		text     string
		decimals int // -1: it stays a text
	}{
		{"152.40", 2}, {"-3", 0}, {"0.0", 1}, {"-0.0", 1}, {"0", 0}, {"100", 0}, {"0.000000000000001", -1}, {"99999999999999.9", 1},
		{"9007199254740993", -1}, {"+3", -1}, {"03", -1}, {"-03.5", -1}, {".5", -1}, {"5.", -1}, {"1e5", -1}, {"1.2.3", -1},
		{"", -1}, {"-", -1}, {".", -1}, {" 1", -1}, {"1 ", -1}, {"OPEN", -1}, {"NaN", -1}, {"Inf", -1}, {"0x10", -1}, {"1,5", -1}, {"1_000", -1},
	} {
		v, err := strconv.ParseFloat(c.text, 64)
		if err != nil {
			v = math.NaN()
		}
		d, ok := pb.Decimals(c.text, v)
		if ok != (c.decimals >= 0) || ok && int(d) != c.decimals {
			t.Errorf("%q: %d decimals, %t; want %d", c.text, d, ok, c.decimals)
		}
	}
	// The driver made something else of the text.
	for _, v := range []float64{0, 152.5, -152.4, math.Nextafter(152.4, 0), math.NaN(), math.Inf(1)} {
		if _, ok := pb.Decimals("152.4", v); ok {
			t.Errorf("152.4 is taken for what %v prints", v)
		}
	}
}

// Every number that a display of up to 15 digits can show goes without its text.
func TestDisplaysGoWithoutTexts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.Int64Range(-999_999_999_999_999, 999_999_999_999_999).Draw(t, "digits")
		decimals := rapid.IntRange(0, 14).Draw(t, "decimals")
		v := float64(digits) / math.Pow10(decimals)
		text := strconv.FormatFloat(v, 'f', decimals, 64)
		if d, ok := pb.Decimals(text, v); len(strings.Trim(text, "-")) <= 16 && (!ok || int(d) != decimals) {
			t.Fatalf("%q: %d decimals, %t", text, d, ok)
		}
	})
}

// Whatever a device says is read from the stored columns as it said it (P8).
func FuzzP8_TextsAreReadAsTheyWereSaid(f *testing.F) {
	for _, said := range []string{"100.5\n99.9\n-0.0", "100.5\n99.95", "100.5\nOPEN", "+1.0", "1.0\n", "0123\n0124", "12345678901234567.8\n1.5", "NaN", "1e300", "-0"} {
		f.Add(said)
	}
	f.Fuzz(func(t *testing.T, said string) {
		texts := strings.Split(strings.ToValidUTF8(said, "?"), "\n")
		s := &pb.Series{DeviceText: texts}
		for i, text := range texts {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				v = math.NaN()
			}
			s.Row, s.DeviceValue = append(s.Row, uint32(i)), append(s.DeviceValue, v)
		}
		s.LeaveOutTexts()
		if s.DeviceDecimals != nil && len(s.DeviceText) > 0 {
			t.Error("it has both")
		}
		b, err := proto.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		stored := new(pb.Series)
		if err := proto.Unmarshal(b, stored); err != nil {
			t.Fatal(err)
		}
		for i, text := range texts {
			if got := (pb.Row{Series: stored, Index: i}).DeviceText(); got != text {
				t.Errorf("row %d: %q is read as %q", i, text, got)
			}
		}
		stored.PutBackTexts()
		for i, text := range texts {
			if got := (pb.Row{Series: stored, Index: i}).DeviceText(); got != text {
				t.Errorf("put back, row %d: %q is read as %q", i, text, got)
			}
		}
	})
}
