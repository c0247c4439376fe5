package units_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/units"
)

// Factors as published. NIST: SP 811 (2008), appendix B.8, to the digits printed
// there. UCUM: the unit tables of the specification 2.2. "definition": exact by
// the definition of the unit.
func TestConversionsAgreeWithPublishedFactors(t *testing.T) {
	for _, c := range []struct {
		quantity, from, to string
		x, want            float64
		digits             int // significant digits of the source
		source             string
	}{
		{"temperature", "[degF]", "Cel", 32, 0, 15, "NIST SP 811 B.8: (t/°F − 32)/1.8"},
		{"temperature", "[degF]", "Cel", 212, 100, 15, "NIST SP 811 B.8"},
		{"temperature", "[degF]", "Cel", -40, -40, 15, "NIST SP 811 B.8"},
		{"temperature", "K", "Cel", 273.15, 0, 15, "NIST SP 811 B.8: T/K − 273.15"},
		{"temperature", "[degR]", "K", 1.8, 1, 15, "NIST SP 811 B.8: (T/°R)/1.8"},
		{"temperature_difference", "[degF]", "K", 9, 5, 15, "NIST SP 811 B.8: degree Fahrenheit as an interval, 1/1.8 K"},
		{"temperature_difference", "Cel", "K", 5, 5, 15, "NIST SP 811 B.8"},
		{"temperature_rate", "[degR]/min", "K/min", 18, 10, 15, "definition"},
		{"mass", "[oz_av]", "g", 1, 28.34952, 7, "NIST SP 811 B.8: 2.834 952 E−02 kg"},
		{"mass", "[lb_av]", "g", 1, 453.59237, 8, "NIST SP 811 B.8: exact"},
		{"mass", "[gr]", "mg", 1, 64.79891, 7, "NIST SP 811 B.8: exact"},
		{"mass", "[oz_tr]", "g", 1, 31.10348, 7, "NIST SP 811 B.8: 3.110 348 E−02 kg"},
		{"mass", "kg", "g", 1, 1000, 15, "definition"},
		{"mass", "t", "kg", 1, 1000, 15, "NIST SP 811 B.8"},
		{"pressure", "mm[Hg]", "Pa", 1, 133.322, 6, "UCUM: m[Hg] = 133.3220 kPa"},
		{"pressure", "[in_i'Hg]", "kPa", 1, 3.386389, 5, "NIST SP 811 B.8, conventional: 3.386 389 E+03 Pa; UCUM's rounded m[Hg] agrees to 5 digits"},
		{"pressure", "[psi]", "kPa", 1, 6.894757, 7, "NIST SP 811 B.8: 6.894 757 E+03 Pa"},
		{"pressure", "atm", "kPa", 1, 101.325, 15, "NIST SP 811 B.8: exact"},
		{"pressure", "mbar", "hPa", 1013.25, 1013.25, 15, "definition"},
		{"pressure", "bar", "kPa", 1, 100, 15, "NIST SP 811 B.8: exact"},
		{"pressure", "mm[H2O]", "Pa", 1, 9.80665, 6, "NIST SP 811 B.8, conventional: 9.806 65 Pa"},
		{"bulk_density", "[lb_av]/[ft_i]3", "kg/m3", 1, 16.01846, 7, "NIST SP 811 B.8: 1.601 846 E+01"},
		{"bulk_density", "[lb_av]/[gal_us]", "g/L", 1, 119.8264, 7, "NIST SP 811 B.8: 1.198 264 E+02"},
		{"bulk_density", "kg/m3", "g/L", 678, 678, 15, "definition"},
		{"bulk_density", "g/mL", "g/L", 0.678, 678, 15, "definition"},
		{"bulk_density", "kg/hL", "g/L", 67.8, 678, 15, "definition"},
		{"bulk_density", "[lb_av]/[bu_us]", "g/L", 60, 772.3, 4, "NIST SP 811 B.8: 1 bu = 35.239 07 L; 60 lb [computed]"},
		{"volume", "[foz_us]", "mL", 1, 29.57353, 7, "NIST SP 811 B.8: 29.573 53"},
		{"volume", "[gal_us]", "L", 1, 3.785412, 7, "NIST SP 811 B.8"},
		{"length", "[in_i]", "mm", 18.0 / 64, 7.14375, 15, "screen 18 is 18/64 inch; NIST SP 811 B.8: 25.4 exact"},
		{"power", "[Btu_th]/h", "W", 1, 0.2928751, 7, "NIST SP 811 B.8: 2.928 751 E−01"},
		{"power", "[Btu_IT]/h", "kW", 8000, 2.344568, 6, "NIST SP 811 B.8: 2.930 711 E−01 W"},
		{"moisture", "1", "%", 0.114, 11.4, 15, "definition"},
		{"moisture", "g/kg", "%", 114, 11.4, 15, "definition"},
		{"humidity_ratio", "kg/kg", "g/kg", 0.009881, 9.881, 15, "definition"},
		{"duration", "min", "s", 9.5, 570, 15, "definition"},
		{"rotation", "Hz", "/min", 1, 60, 15, "definition"},
		{"voltage", "uV", "mV", 41, 0.041, 15, "definition"},
		{"resistance", "kOhm", "Ohm", 1, 1000, 15, "definition"},
		{"gas_fraction", "%", "[ppm]", 0.02, 200, 15, "definition"},
		{"fraction", "10*-2", "%", 4, 4, 15, "UCUM: 10* is ten, to a power"},
		{"temperature", "[degRe]", "Cel", 80, 100, 15, "definition: water boils at 80 °Ré"},
		{"pressure", "att", "kPa", 1, 98.0665, 15, "NIST SP 811 B.8: exact"},
		{"pressure", "[in_i'H2O]", "Pa", 1, 249.0889, 7, "NIST SP 811 B.8, conventional: 2.490 889 E+02 Pa"},
		{"pressure", "dyn/cm2", "Pa", 1, 0.1, 15, "NIST SP 811 B.8: exact"},
		{"power", "[HP]", "W", 1, 745.6999, 7, "NIST SP 811 B.8: 550 ft·lbf/s"},
		{"energy", "kcal_IT", "kJ", 1, 4.1868, 15, "NIST SP 811 B.8: exact"},
		{"energy", "kW.h", "kJ", 1, 3600, 15, "NIST SP 811 B.8: exact"},
		{"volume_flow", "[cft_i]/min", "L/min", 1, 28.31685, 7, "NIST SP 811 B.8: 1 ft3 is 2.831 685 E-02 m3"},
		{"density", "[lb_av]/[cin_i]", "g/mL", 1, 27.67990, 7, "NIST SP 811 B.8: 2.767 990 E+04 kg/m3"},
		{"illuminance", "lm/[sft_i]", "lx", 1, 10.76391, 7, "NIST SP 811 B.8: 1.076 391 E+01"},
		{"length", "[mil_i]", "um", 1, 25.4, 15, "NIST SP 811 B.8: exact"},
		{"mass", "[stone_av]", "kg", 1, 6.350293, 7, "NIST SP 811 B.8: 6.350 293 E+00"},
		{"volume", "[gal_br]", "L", 1, 4.54609, 15, "NIST SP 811 B.8: exact"},
	} {
		t.Run(c.quantity+" "+c.from, func(t *testing.T) {
			q, ok := units.Lookup(c.quantity)
			if !ok {
				t.Fatal("no such quantity")
			}
			l, err := units.Convert(q, c.from, c.to)
			if err != nil {
				t.Fatal(err)
			}
			// Half a unit in the last digit of the source; one rounding at 15.
			scale := math.Max(math.Abs(c.want), math.Max(math.Abs(c.x), 1e-3))
			bound := scale * 0.5000001 * math.Pow(10, 1-float64(c.digits))
			if c.digits == 15 {
				bound = scale * 4e-16
			}
			if got := l.Apply(c.x); math.Abs(got-c.want) > bound {
				t.Errorf("%v %s is %.12g %s, want %v (%s)", c.x, c.from, got, c.to, c.want, c.source)
			}
		})
	}
}

func TestCanonicalUnitsStayAsTheyAre(t *testing.T) {
	for _, name := range units.Names() {
		q, ok := units.Lookup(name)
		if !ok {
			t.Fatalf("%s is listed and not found: the table must be sorted", name)
		}
		if q.Unit == "" {
			continue
		}
		if l, err := q.From(q.Unit); err != nil || l != units.Same {
			t.Errorf("%s: %+v, %v: want the value unchanged to the last bit", name, l, err)
		}
	}
}

func TestWhatIsNotAUnitIsRefusedWithAdvice(t *testing.T) {
	for _, c := range []struct{ quantity, code, want string }{
		{"temperature", "°C", "write Cel"},
		{"temperature", "F", "write [degF]"},
		{"temperature", "g", `"g" is not a unit of temperature: write a UCUM code such as "Cel"`},
		{"temperature", "cel", "not known"},
		{"temperature", "", "the unit of temperature is missing"},
		{"temperature_rate", "Cel/min", "write K or [degR] for its steps"},
		{"temperature_rate", "m.Cel", "write K or [degR] for its steps"},
		{"temperature_rate", "/Cel", "write K or [degR] for its steps"},
		{"temperature_rate", "(Cel)", "write K or [degR] for its steps"},
		{"temperature", "Cel2", "cannot be raised to a power"},
		{"mass", "lbs", "write [lb_av]"},
		{"mass", "k[lb_av]", "not known"},
		{"mass", "mol", `"mol" is not a unit of mass`},
		{"count", "mol", `"mol" is not a unit of count`},
		{"fraction", "mol", "not a unit of fraction"},
		{"length", "ft", `"ft" is not a unit of length: write [ft_i]`},
		{"temperature", "C", `"C" is not a unit of temperature: write Cel`},
		{"temperature_rate", "°C/min", "write K/min"},
		{"temperature_rate", "[degF]/min", "write K or [degR] for its steps"},
		{"fraction", "[pH]", "is a logarithm of a ratio, which no factor converts"},
		{"power", "dB", "is a logarithm of a ratio"},
		{"count", "[iU]", "is what a procedure of measuring makes it"},
		{"count", "10*31", "the exponent 31 is out of range: 1 to 30"},
		{"length", "m+-2", "the exponent +-2 is out of range"},
		{"length", "k[in_i]", "not known"},
		{"mass", "g/", "a unit is missing"},
		{"mass", "g..s", "a unit is missing"},
		{"mass", "(g", "a parenthesis is not closed"},
		{"mass", "g)", "is not expected"},
		{"mass", "g{wet", "a brace is not closed"},
		{"mass", "g10", "the exponent 10 is out of range"},
		{"mass", "0", "is not a factor"},
		{"mass", strings.Repeat("g", 65), "too long"},
		{"water_activity", "%", "the quantity relative_humidity for a percentage"},
		{"count", "%", `write "1"`},
		{"code", "1", "code has no unit"},
	} {
		q, ok := units.Lookup(c.quantity)
		if !ok {
			t.Fatalf("there is no quantity %q", c.quantity)
		}
		_, err := q.From(c.code)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s in %q: %v, want an error that says %q", c.quantity, c.code, err, c.want)
		}
	}
}

func TestBasis(t *testing.T) {
	for _, c := range []struct{ quantity, basis, want string }{
		{"moisture", "", "moisture means nothing without a basis: write basis: wet or dry"},
		{"moisture", "damp", `"damp" is not a basis of moisture: write wet or dry`},
		{"moisture", "wet", ""},
		{"colour", "", "colour means nothing without a basis: write basis: <the name of the colour scale>"},
		{"colour", "house", ""},
		{"mass", "wet", `mass has no basis, but "wet" is given: leave it out`},
		{"relative_humidity", "", ""},
	} {
		q, _ := units.Lookup(c.quantity)
		got := ""
		if err := q.CheckBasis(c.basis); err != nil {
			got = err.Error()
		}
		if got != c.want {
			t.Errorf("%s, basis %q: %q, want %q", c.quantity, c.basis, got, c.want)
		}
	}
}

// Every quantity in percent must say of what: by a basis, or by what it is.
func TestPercentagesHaveABasis(t *testing.T) {
	for _, name := range units.Names() {
		q, _ := units.Lookup(name)
		if _, err := q.From("%"); err != nil || name == "relative_humidity" {
			continue
		}
		if !q.NeedsBasis() {
			t.Errorf("%s may be given in %% without a basis", name)
		}
	}
}

// interchangeable are units of one quantity.
var interchangeable = map[string][]string{
	"temperature":            {"Cel", "K", "[degF]", "[degR]", "mK"},
	"temperature_difference": {"Cel", "K", "[degF]"},
	"mass":                   {"g", "kg", "mg", "[oz_av]", "[lb_av]", "[gr]", "t"},
	"pressure":               {"Pa", "hPa", "kPa", "mbar", "bar", "mm[Hg]", "[psi]", "atm", "[in_i'Hg]", "N/m2"},
	"bulk_density":           {"g/L", "kg/m3", "g/mL", "kg.m-3", "[lb_av]/[ft_i]3", "g.cm-3"},
	"moisture":               {"%", "1", "g/kg", "[ppth]"},
}

func TestThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"temperature", "temperature_difference", "mass", "pressure", "bulk_density", "moisture"}).Draw(t, "quantity")
		q, _ := units.Lookup(name)
		from := rapid.SampledFrom(interchangeable[name]).Draw(t, "from")
		to := rapid.SampledFrom(interchangeable[name]).Draw(t, "to")
		x := rapid.Float64Range(-1e4, 1e4).Draw(t, "x")
		there, err := units.Convert(q, from, to)
		if err != nil {
			t.Fatal(err)
		}
		back, err := units.Convert(q, to, from)
		if err != nil {
			t.Fatal(err)
		}
		// Rounding is relative to the largest number on the way.
		scale := math.Abs(x) + math.Abs(back.Offset) + math.Abs(back.Slope*there.Offset)
		if got := back.Apply(there.Apply(x)); math.Abs(got-x) > 1e-14*scale {
			t.Fatalf("%v %s → %s → %v", x, from, to, got)
		}
		if got := there.Then(back).Apply(x); math.Abs(got-x) > 1e-14*scale {
			t.Fatalf("in one step: %v %s → %s → %v", x, from, to, got)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"Cel", "[degF]", "g/L", "kg.m-3", "m[H2O]", "%", "/min", "(g/L).m2", "{beans}", "10/min", "g{wet}/kg{dry}"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, code string) {
		u, err := units.Parse(code)
		if err == nil && u.Code() != code {
			t.Errorf("%q parsed as %q", code, u.Code())
		}
	})
}
