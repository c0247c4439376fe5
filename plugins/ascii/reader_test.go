package ascii

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheets"
)

// built reads a sheet that comes with the hub.
func built(t testing.TB, name string) *Sheet {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	return parsed(t, name, string(data))
}

func parsed(t testing.TB, name, text string) *Sheet {
	t.Helper()
	root := document.Parse(name, []byte(text))
	s := ReadSheet(root.Node)
	if err := root.Problems.Err(); err != nil {
		t.Fatal(err)
	}
	return s
}

// told reads a stream and writes down what became of it, one line a frame.
func told(s *Sheet, stream string) []string {
	r := s.NewReader()
	var out []string
	emit := func(f Frame) {
		var parts []string
		for _, x := range f.Readings {
			parts = append(parts, said(x))
		}
		if f.Identity != "" {
			parts = append(parts, "identity "+f.Identity)
		}
		if f.Why != "" {
			parts = append(parts, "unreadable: "+f.Why)
		}
		if f.Outcome == Joined || f.Outcome == Ignored {
			parts = append(parts, "passed over")
		}
		out = append(out, strings.Join(parts, "; "))
	}
	r.Push([]byte(stream), emit)
	r.End(emit)
	return out
}

func said(r sdk.Reading) string {
	return strings.TrimSpace(fmt.Sprintf("%s %v %q %s %s %s", r.Channel, r.Value, r.Text, r.Unit, r.Status, r.DeviceTime))
}

func compare(t *testing.T, got []string, want ...string) {
	t.Helper()
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			t.Errorf("frame %d is missing, want %q", i+1, want[i])
		case i >= len(want):
			t.Errorf("frame %d is too many: %q", i+1, got[i])
		case got[i] != want[i]:
			t.Errorf("frame %d:\n got %q\nwant %q", i+1, got[i], want[i])
		}
	}
}

func TestThermocoupleReader(t *testing.T) {
	compare(t, told(built(t, "thermocouple-reader"),
		"3.4C A=231.0C I=268.9C\r\n"+
			"B=203.4C A=231.0C I=268.9C\r\n"+
			"B=398.1F A=OPEN I=268.9\r\n"+
			"B=203.4C A=231.0C\r\n"+
			"B=\xff03.4C A=231.0C I=268.9C\r\n"+
			"B=203."),
		"passed over",
		`bean 203.4 "203.4" Cel; drum_air 231 "231.0" Cel; inlet_air 268.9 "268.9" Cel`,
		`bean 398.1 "398.1" [degF]; drum_air NaN "OPEN"; inlet_air 268.9 "268.9"`,
		"unreadable: no rule matches it",
		"unreadable: it is not ascii text",
		"unreadable: it ended before the frame was complete",
	)
}

func TestScale(t *testing.T) {
	compare(t, told(built(t, "bench-scale"),
		"STEADY +  15\r\n"+
			"STEADY +  152.35 g\r\n"+
			"MOVING -    0.02 g\r\n"+
			"STEADY +    5.37 oz\r\n"+
			"OVER\r\n"+
			"T DONE\r\n"+
			"STEADY + 1,152.35 g\r\n"),
		"passed over",
		`mass 152.35 "+  152.35" g STEADY`,
		`mass -0.02 "-    0.02" g MOVING`,
		`mass 5.37 "+    5.37" [oz_av] STEADY`,
		`mass NaN "OVER"`,
		"passed over",
		"unreadable: no rule matches it",
	)
}

func TestTicket(t *testing.T) {
	full := "------ TICKET 0042 ------\r\nTIME      2026-02-03 10:41:07\r\nPRODUCT   GREEN COFFEE\r\n" +
		"MOISTURE  11.4 %\r\nSAMPLE    22.1 C\r\nDENSITY   678 g/L\r\n------ END ------\r\n"
	broken := "------ TICKET 0043 ------\r\nMOISTURE  11.4 %\r\n"
	bare := "------ TICKET 0044 ------\r\nMOISTURE  --.- %\r\nSAMPLE    71.8 F\r\n------ END ------\r\n"
	spoiled := "------ TICKET 0045 ------\r\nMO#STURE  11.4 %\r\nSAMPLE    22.1 C\r\n------ END ------\r\n"
	compare(t, told(built(t, "moisture-meter"), "\x00\x00noise\r\n"+full+broken+bare+spoiled+broken),
		"unreadable: it is outside a ticket",
		`moisture 11.4 "11.4"   2026-02-03 10:41:07; bean_temperature 22.1 "22.1" Cel  2026-02-03 10:41:07; bulk_density 678 "678" g/L  2026-02-03 10:41:07`,
		"unreadable: another ticket began before its end",
		`moisture NaN "--.-"; bean_temperature 71.8 "71.8" [degF]`,
		`bean_temperature 22.1 "22.1" Cel; unreadable: no part of it matches rule 1, (?m)^MOISTURE +(?P<moisture>[-.0-9]+) %$`,
		"unreadable: it ended before the ticket was complete",
	)
}

func TestTicketThatNeverEnds(t *testing.T) {
	s := built(t, "moisture-meter")
	r := s.NewReader()
	complaints := 0
	r.Push([]byte("------ TICKET 0042 ------\r\n"), func(Frame) { t.Fatal("too early") })
	for range 10_000 {
		r.Push([]byte("MOISTURE  11.4 %\r\n"), func(f Frame) {
			if f.Why == "" {
				t.Fatalf("read %+v", f)
			}
			complaints++
		})
	}
	if cap(r.lines) > 4*defaultTicket {
		t.Errorf("holds %d bytes for a ticket of %d at most", cap(r.lines), defaultTicket)
	}
	if complaints == 0 {
		t.Error("10,000 lines vanished")
	}
}

func TestCodesAndColours(t *testing.T) {
	compare(t, told(built(t, "label-scanner"), "CA-0117\r\nCA-0118\rCA\x1b[31m\r"),
		`code NaN "CA-0117"`, `code NaN "CA-0118"`, "unreadable: no rule matches it")
	compare(t, told(built(t, "colour-meter"), "ID SN-00417\r\nG 63.2\r\nW 58.0\r\nG --.-\r\n"),
		"identity SN-00417", `ground 63.2 "63.2"`, `whole 58 "58.0"`, `ground NaN "--.-"`)
	compare(t, told(built(t, "water-activity-meter"), "AW 0.543 25.0 C\r\nAW ----- 24.9 C\r\n"),
		`water_activity 0.543 "0.543"; cup_temperature 25 "25.0" Cel`,
		`water_activity NaN "-----"; cup_temperature 24.9 "24.9" Cel`)
}

func TestControlCharactersInAValue(t *testing.T) {
	s := parsed(t, "x", `
channels: {code: {quantity: code, kind: code}}
frame: {line: "\n"}
read: [{match: '^C (?P<code>.+)$'}]
`)
	compare(t, told(s, "C a\x00b\nC ab\n"), "unreadable: a value in it holds control characters", `code NaN "ab"`)
}

func TestLatin1AndDecimalComma(t *testing.T) {
	s := parsed(t, "x", `
channels: {bean: {quantity: temperature, unit: Cel}}
encoding: latin-1
decimal: ","
frame: {start: "\x02", delimiter: "\x03"}
read: [{match: '^(?P<bean>[-+,.0-9]+) ?(?P<unit>°[CF])$'}]
units: {°C: Cel}
`)
	compare(t, told(s, "\x02203,4\xb0C\x03\x021.203,4\xb0F\x03"),
		`bean 203.4 "203,4" Cel`, `bean NaN "1.203,4" °F`)
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{
		"1": 1, "+00012.30": 12.3, "-  0.5": -0.5, " 7 ": 7, ".5": 0.5, "5.": 5, "1e3": 1000, "-1.5E-2": -0.015, "-0": 0,
	} {
		if got := number(text, '.'); got != want {
			t.Errorf("%q: got %v, want %v", text, got, want)
		}
	}
	for _, text := range []string{"", "-", ".", "OL", "--.-", "1,000", "1.2.3", "1_000", "0x10", "inf", "NaN", "1e", "1e999", "+-1", "1 2", "١", "1e+-5"} {
		if got := number(text, '.'); !math.IsNaN(got) {
			t.Errorf("%q: got %v, want no number", text, got)
		}
	}
}

// What an instrument prints comes back as the number that it meant.
func TestNumberReadsWhatIsPrinted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		places := rapid.IntRange(0, 4).Draw(t, "places")
		text := fmt.Sprintf("%+012.*f", places, v)
		if got := number(text, '.'); math.Abs(got-v) > 0.5000001*math.Pow(10, float64(-places)) {
			t.Fatalf("%q: got %v", text, got)
		}
	})
}

func FuzzReader(f *testing.F) {
	var all []*Sheet
	for _, name := range []string{"thermocouple-reader", "bench-scale", "moisture-meter", "colour-meter", "label-scanner", "water-activity-meter"} {
		all = append(all, built(f, name))
	}
	for _, seed := range []string{
		"x\r\nB=203.4C A=231.0C I=268.9C\r\n", "x\r\nSTEADY +  152.35 g\r\nT DONE\r\n", "G 63.2\r\nID A\r\n", "CA-0117\r",
		"-- TICKET\r\nMOISTURE 11.4 %\r\nSAMPLE 22.1 C\r\n-- END\r\n", "AW ----- 25.0 C\r\n", "\x00\xff\xfe\r\n", strings.Repeat("9", 300) + "\r\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, stream []byte) {
		for _, s := range all {
			r := s.NewReader()
			emit := func(f Frame) {
				if (f.Outcome == Unreadable) != (len(f.Readings) == 0 && f.Why != "") {
					t.Fatalf("unreadable without saying why, or read without a reading: %+v", f)
				}
				for _, x := range f.Readings {
					if !strings.Contains(string(f.Raw), x.Text) {
						t.Fatalf("reading %+v is not in the frame %q", x, f.Raw)
					}
					if hasControl(x.Text) || math.IsInf(x.Value, 0) {
						t.Fatalf("reading %+v", x)
					}
				}
			}
			r.Push(stream, emit)
			r.End(emit)
		}
	})
}

func BenchmarkReader(b *testing.B) {
	s := built(b, "thermocouple-reader")
	r := s.NewReader()
	chunk := []byte(strings.Repeat("B=203.4C A=231.0C I=268.9C\r\n", 100))
	readings := 0
	emit := func(f Frame) { readings += len(f.Readings) }
	b.ReportAllocs()
	for b.Loop() {
		r.Push(chunk, emit)
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
}
