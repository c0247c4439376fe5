package thermocouple_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/thermocouple"
	"pgregory.net/rapid"
)

var letters = strings.Fields("B E J K N R S T")

func lookup(t testing.TB, letter string) *thermocouple.Type {
	t.Helper()
	k, err := thermocouple.Lookup(letter)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// row is a line of a table in testdata: a letter and numbers.
type row struct {
	letter string
	v      []float64
}

func table(t *testing.T, name string) []row {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', -1
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([]row, len(lines))
	for i, l := range lines {
		out[i].letter = l[0]
		for _, s := range l[1:] {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			out[i].v = append(out[i].v, v)
		}
	}
	return out
}

// half of the last printed digit, mV, and a little for what rounds either way.
const half = 0.00050001

func TestVoltageIsThatOfThePrintedTables(t *testing.T) {
	seen := map[string]int{}
	for _, r := range table(t, "printed.csv") {
		k := lookup(t, r.letter)
		celsius, printed := r.v[0], r.v[1]
		got, err := k.Voltage(celsius, 0)
		if err != nil || math.Abs(got-printed) > half {
			t.Errorf("%s at %g °C: %.5f mV, printed is %.3f (%v)", r.letter, celsius, got, printed, err)
		}
		seen[r.letter]++
		low, high := k.Range()
		if celsius <= low || celsius >= high || r.letter == "B" && celsius < 100 {
			continue // rounded, the ends are outside of the range
		}
		slope, err := k.Sensitivity(celsius)
		if err != nil {
			t.Fatal(err)
		}
		// Where the function is bent, the slope changes over half a digit.
		back, err := k.Temperature(printed, 0)
		if err != nil || math.Abs(back-celsius) > 1.2*half/slope {
			t.Errorf("%s at %.3f mV: %.4f °C, printed is %g (%v)", r.letter, printed, back, celsius, err)
		}
	}
	for _, l := range letters {
		if seen[l] < 16 {
			t.Errorf("type %s was compared %d times only", l, seen[l])
		}
	}
}

// The published inverses are approximations with stated bounds; their coefficients
// are independent of what solves the function here.
func TestTemperatureIsThatOfThePublishedInverses(t *testing.T) {
	const rounding = 0.005 // °C; the bounds are stated in hundredths
	rows := table(t, "inverse.csv")
	if len(rows) != 23 {
		t.Fatalf("%d published inverses, want 23", len(rows))
	}
	for _, r := range rows {
		k := lookup(t, r.letter)
		low, high, least, most, d := r.v[2], r.v[3], r.v[4], r.v[5], r.v[6:]
		lowest, err := k.Voltage(r.v[0], 0)
		if err != nil {
			t.Fatal(err)
		}
		highest, err := k.Voltage(r.v[1], 0)
		if err != nil {
			t.Fatal(err)
		}
		const steps = 2000
		for i := range steps + 1 {
			// The stated ends are rounded, some of them out of the range.
			e := min(max(low+(high-low)*float64(i)/steps, lowest), highest)
			got, err := k.Temperature(e, 0)
			if err != nil {
				t.Fatal(err)
			}
			published := 0.0
			for j := len(d) - 1; j >= 0; j-- {
				published = published*e + d[j]
			}
			if off := published - got; off < least-rounding || off > most+rounding {
				t.Fatalf("%s at %.4f mV: %.4f °C, the published inverse has %.4f; stated are %g to %g °C",
					r.letter, e, got, published, least, most)
			}
		}
	}
}

func TestThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		letter := rapid.SampledFrom(letters).Draw(t, "letter")
		k, err := thermocouple.Lookup(letter)
		if err != nil {
			t.Fatal(err)
		}
		low, high := k.Range()
		if letter == "B" {
			low = 50
		}
		hot := rapid.Float64Range(low, high).Draw(t, "hot")
		cold := rapid.Float64Range(0, 70).Draw(t, "cold")
		e, err := k.Voltage(hot, cold)
		if err != nil {
			t.Fatal(err)
		}
		// Where an end of the range comes out of a sum, rounding may leave it.
		got, err := k.Temperature(e, cold)
		var outside *thermocouple.RangeError
		if errors.As(err, &outside) && (e-outside.Low > -1e-12 && e < outside.High || e-outside.High < 1e-12 && e > outside.Low) {
			return
		}
		if err != nil || math.Abs(got-hot) > 1e-6 {
			t.Fatalf("type %s: %v °C with the junction at %v °C → %v mV → %v °C (%v)", letter, hot, cold, e, got, err)
		}
	})
}

// Whatever a device says, there is an error or a temperature in the range.
func TestAnyVoltage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k, err := thermocouple.Lookup(rapid.SampledFrom(letters).Draw(t, "letter"))
		if err != nil {
			t.Fatal(err)
		}
		mV := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-12, 80), rapid.Just(math.NaN())).Draw(t, "mV")
		cold := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-300, 2000)).Draw(t, "cold")
		got, err := k.Temperature(mV, cold)
		if low, high := k.Range(); err == nil && !(got >= low && got <= high) {
			t.Fatalf("type %s: %v mV with the junction at %v °C → %v °C", k.Letter(), mV, cold, got)
		}
	})
}

func TestBothWaysRiseThroughTheWholeRange(t *testing.T) {
	for _, letter := range letters {
		k := lookup(t, letter)
		low, high := k.Range()
		if letter == "B" {
			low = 50
		}
		before, beforeBack := math.Inf(-1), math.Inf(-1)
		const steps = 20000
		for i := range steps + 1 {
			celsius := low + (high-low)*float64(i)/steps
			e, err := k.Voltage(celsius, 0)
			if err != nil {
				t.Fatal(err)
			}
			back, err := k.Temperature(e, 0)
			if err != nil || !(e > before) || !(back > beforeBack) || math.Abs(back-celsius) > 1e-6 {
				t.Fatalf("type %s: %v °C → %v mV → %v °C (%v), after %v mV", letter, celsius, e, back, err, before)
			}
			before, beforeBack = e, back
		}
	}
}

// Where two pieces of a function meet they differ by next to nothing, which takes
// all digits of their coefficients.
func TestPiecesMeet(t *testing.T) {
	for letter, joints := range map[string][]float64{
		"B": {630.615}, "E": {0}, "J": {760}, "K": {0}, "N": {0}, "R": {1064.18, 1664.5}, "S": {1064.18, 1664.5}, "T": {0},
	} {
		k := lookup(t, letter)
		for _, joint := range joints {
			below, err := k.Voltage(joint, 0)
			if err != nil {
				t.Fatal(err)
			}
			above, err := k.Voltage(math.Nextafter(joint, 2000), 0)
			if err != nil {
				t.Fatal(err)
			}
			slope, err := k.Sensitivity(joint)
			if err != nil {
				t.Fatal(err)
			}
			if step := (above - below) / slope; math.Abs(step) > 1.2e-6 {
				t.Errorf("type %s has a step of %.2g °C at %g °C", letter, step, joint)
			}
		}
	}
}

// The slope is held against a difference of the function that the tables check.
func TestSensitivityIsTheSlope(t *testing.T) {
	for _, letter := range letters {
		k := lookup(t, letter)
		low, high := k.Range()
		for i := 1; i < 500; i++ {
			celsius := low + (high-low)*float64(i)/500
			got, err := k.Sensitivity(celsius)
			if err != nil {
				t.Fatal(err)
			}
			const h = 0.01
			above, _ := k.Voltage(celsius+h, 0)
			below, _ := k.Voltage(celsius-h, 0)
			if want := (above - below) / (2 * h); math.Abs(got-want) > 1e-6 {
				t.Errorf("type %s at %g °C: %v mV/K, want %v", letter, celsius, got, want)
			}
		}
	}
}

// A K probe at 200 °C whose wires end at 25 °C: printed are 8.138 and 1.000 mV.
func TestColdJunctionIsAdded(t *testing.T) {
	k := lookup(t, "K")
	got, err := k.Temperature(8.138-1.000, 25)
	if err != nil || math.Abs(got-200) > 0.03 {
		t.Errorf("%.3f °C (%v), want 200.00 ± 0.03", got, err)
	}
}

func TestOutsideIsNamed(t *testing.T) {
	k, b := lookup(t, "K"), lookup(t, "B")
	for _, c := range []struct {
		name string
		do   func() (float64, error)
		says string
	}{
		{"hot", func() (float64, error) { return k.Voltage(1372.1, 25) }, "type K thermocouple: hot junction is 1372.1 °C, outside -270 to 1372 °C"},
		{"cold", func() (float64, error) { return k.Voltage(200, -271) }, "cold junction is -271 °C"},
		{"slope", func() (float64, error) { return k.Sensitivity(2000) }, "hot junction is 2000 °C"},
		{"high", func() (float64, error) { return k.Temperature(54.0, 25) }, "voltage with the cold junction at 25 °C is 54 mV, outside -7.45798 to 53.8861 mV: check the type, the polarity and the wires"},
		{"low", func() (float64, error) { return k.Temperature(-6.5, 0) }, "outside -6.45774 to 54.8864 mV"},
		{"junction", func() (float64, error) { return k.Temperature(8, 5000) }, "cold junction is 5000 °C"},
		{"not a voltage", func() (float64, error) { return k.Temperature(math.NaN(), 25) }, "voltage with the cold junction at 25 °C is no number"},
		{"infinite", func() (float64, error) { return k.Temperature(math.Inf(1), 25) }, "is +Inf mV"},
		{"not a junction", func() (float64, error) { return k.Temperature(8, math.NaN()) }, "cold junction is no number"},
		{"two temperatures", func() (float64, error) { return b.Temperature(0, 0) }, "type B thermocouple: voltage"},
		{"warm", func() (float64, error) { return k.Tolerance(1, 1001) }, "temperature for the tolerance of class 1 is 1001 °C"},
	} {
		v, err := c.do()
		var outside *thermocouple.RangeError
		if !errors.As(err, &outside) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %v; want %q", c.name, v, err, c.says)
		}
	}
	if _, err := thermocouple.Lookup("k"); err == nil || !strings.Contains(err.Error(), "B E J K N R S T") {
		t.Errorf("lookup of k: %v", err)
	}
}

// IEC 60584-1:2013, table 1: the greater of width and share. The rows of class 3 and of
// B, E, R and S are from memory; where the two parts of a tolerance meet, by arithmetic.
func TestIEC60584_ToleranceAsDelivered(t *testing.T) {
	for _, c := range []struct {
		letter  string
		class   thermocouple.Class
		celsius float64
		want    float64
	}{
		{"K", 1, 0, 1.5}, {"K", 1, 375, 1.5}, {"K", 2, 0, 2.5}, {"K", 2, 200, 2.5},
		{"N", 1, -40, 1.5}, {"J", 2, 100, 2.5}, {"T", 1, 100, 0.5}, {"T", 2, 100, 1},
		{"K", 2, 1000, 7.5}, {"T", 1, 200, 0.8}, {"E", 1, 800, 3.2}, {"E", 2, 900, 6.75},
		{"K", 3, -100, 2.5}, {"N", 3, -200, 3}, {"E", 3, 40, 2.5}, {"T", 3, -200, 3}, {"T", 3, 0, 1},
		{"R", 1, 1100, 1}, {"S", 1, 1600, 2.5}, {"R", 2, 600, 1.5}, {"S", 2, 1600, 4},
		{"B", 2, 600, 1.5}, {"B", 2, 1700, 4.25}, {"B", 3, 600, 4}, {"B", 3, 1700, 8.5},
	} {
		got, err := lookup(t, c.letter).Tolerance(c.class, c.celsius)
		if err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s class %d at %g °C: %v K (%v), want %v", c.letter, c.class, c.celsius, got, err, c.want)
		}
	}
	for letter, class := range map[string]thermocouple.Class{"R": 3, "J": 3, "B": 1, "K": 4, "T": 0, "E": -1} {
		if _, err := lookup(t, letter).Tolerance(class, 100); err == nil || !strings.Contains(err.Error(), "IEC 60584-1 has classes") {
			t.Errorf("%s class %d: %v", letter, class, err)
		}
	}
}

func BenchmarkTemperature(b *testing.B) {
	for _, letter := range letters {
		b.Run(letter, func(b *testing.B) {
			k := lookup(b, letter)
			b.ReportAllocs()
			e := 4.0
			for b.Loop() {
				if _, err := k.Temperature(e, 25); err != nil {
					b.Fatal(err)
				}
				if e += 0.001; e > 8 {
					e = 4
				}
			}
		})
	}
}

func BenchmarkVoltage(b *testing.B) {
	k := lookup(b, "K")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := k.Voltage(207.5, 25); err != nil {
			b.Fatal(err)
		}
	}
}
