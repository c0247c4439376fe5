package units

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
)

// symbols are all atoms, sorted.
func symbols() []string {
	all := slices.Collect(maps.Keys(atoms))
	all = slices.AppendSeq(all, maps.Keys(customary))
	all = slices.AppendSeq(all, maps.Keys(bases))
	slices.Sort(all)
	return all
}

// An atom stands in one table, and its definition can be read.
func TestEveryAtomIsDefinedOnce(t *testing.T) {
	all := symbols()
	for i, symbol := range all {
		if i > 0 && all[i-1] == symbol {
			t.Errorf("%s is defined twice", symbol)
		}
		if u, err := Parse(symbol); err != nil || u.factor.Sign() <= 0 {
			t.Errorf("%s: %+v, %v", symbol, u, err)
		}
		if _, ok := refused[symbol]; ok {
			t.Errorf("%s is defined and refused", symbol)
		}
	}
	for meant := range maps.Values(spoken) {
		for code := range strings.SplitSeq(meant, " or ") {
			if _, err := Parse(code); err != nil {
				t.Errorf("a hint leads to what is none: %v", err)
			}
		}
	}
}

// No symbol can be read as a prefix and a unit in two ways.
func TestSymbolsAreUnambiguous(t *testing.T) {
	seen := map[string]string{}
	for _, symbol := range symbols() {
		_, metric, _ := defined(symbol)
		if !metric {
			continue
		}
		for prefix := range prefixes {
			whole := prefix + symbol
			if _, _, ok := defined(whole); ok {
				continue // the atom goes before
			}
			if other, twice := seen[whole]; twice {
				t.Errorf("%s is %s-%s and %s", whole, prefix, symbol, other)
			}
			seen[whole] = prefix + "-" + symbol
		}
	}
}

// otherwise are atoms that ucum-lhc does not convert as UCUM has them.
var otherwise = map[string]string{
	"eq":       "it asks for the charge of the substance",
	"[degRe]":  "it adds 273.15 before it multiplies by 1.25, so that ice would melt at 341 K",
	"[mesh_i]": "it does not convert it to 1/[in_i], of which it is defined",
}

// The whole table, and terms made of it at random, against the npm package ucum-lhc.
// It takes the mole for a number, as UCUM does, so that nothing is converted between
// amounts and numbers here.
func TestUCUM_ConversionsAreThoseOfUcumLHC(t *testing.T) {
	type question struct {
		From, To string
		Value    float64
	}
	var questions []question
	var want []float64
	ask := func(from, to string, value float64) {
		f, err := Parse(from)
		if err != nil {
			t.Fatal(err)
		}
		o, err := Parse(to)
		if err != nil {
			t.Fatal(err)
		}
		if f.dim != o.dim {
			t.Fatalf("%s and %s have different dimensions", from, to)
		}
		questions = append(questions, question{from, to, value})
		want = append(want, convert(f, o, false).Apply(value))
	}
	r := rand.New(rand.NewPCG(1, 2))
	all := symbols()
	byDimension := map[dimension][]string{}
	for _, symbol := range all {
		u, metric, _ := defined(symbol)
		if otherwise[symbol] != "" {
			continue
		}
		byDimension[u.dim] = append(byDimension[u.dim], symbol)
		if metric && u.offset == nil {
			prefix := []string{"k", "m", "u", "M", "da", "n"}[r.IntN(6)]
			if _, _, taken := defined(prefix + symbol); !taken {
				byDimension[u.dim] = append(byDimension[u.dim], prefix+symbol)
			}
		}
	}
	groups := slices.Collect(maps.Values(byDimension))
	for _, alike := range groups {
		slices.Sort(alike)
	}
	// In an order of their own, so that every run asks the same.
	slices.SortFunc(groups, slices.Compare)
	for _, alike := range groups {
		for _, from := range alike {
			ask(from, alike[r.IntN(len(alike))], 0.1+100*r.Float64())
		}
	}
	// Terms: numerator and denominator are exchanged for atoms of the same dimensions.
	proportional := slices.DeleteFunc(slices.Clone(all), func(s string) bool {
		u, _, _ := defined(s)
		return u.offset != nil || otherwise[s] != "" || strings.HasPrefix(s, "10")
	})
	for range 500 {
		from, to := "", ""
		for k := range 2 + r.IntN(2) {
			symbol := proportional[r.IntN(len(proportional))]
			u, _, _ := defined(symbol)
			alike := slices.DeleteFunc(slices.Clone(byDimension[u.dim]), func(s string) bool {
				v, ok := atom(s)
				return !ok || v.offset != nil || strings.HasPrefix(s, "10")
			})
			sign, power := "", ""
			if k > 0 {
				sign = []string{".", "/"}[r.IntN(2)]
			}
			if r.IntN(3) == 0 {
				power = []string{"2", "3", "-1", "-2"}[r.IntN(4)]
			}
			from, to = from+sign+symbol+power, to+sign+alike[r.IntN(len(alike))]+power
		}
		ask(from, to, 0.1+100*r.Float64())
	}
	var got []*float64
	peers.Ask(t, questions, &got, peers.NodeScript(t, "ucum.js", "@lhncbc/ucum-lhc")...)
	if len(got) != len(questions) {
		t.Fatalf("%d answers to %d questions", len(got), len(questions))
	}
	t.Logf("%d atoms, %d questions", len(all), len(questions))
	for i, q := range questions {
		// Factors there are rounded floating-point numbers.
		if got[i] == nil || !(math.Abs(*got[i]-want[i]) <= 1e-11*math.Max(math.Abs(want[i]), 1e-300)+1e-11*math.Abs(q.Value)*zeroed(q.From)) {
			answer := math.NaN()
			if got[i] != nil {
				answer = *got[i]
			}
			t.Errorf("%.15g %s is %.15g %s, ucum-lhc says %.15g", q.Value, q.From, want[i], q.To, answer)
		}
	}
}

// zeroed is how far rounding may reach where a unit has its own zero.
func zeroed(code string) float64 {
	if u, err := Parse(code); err == nil && u.dim == (dimension{0, 0, 0, 1}) {
		return 10
	}
	return 0
}

// The same quantities against GNU units, whose definitions were written by others.
func TestConversionsAreThoseOfGNUUnits(t *testing.T) {
	program := peers.Command(t, "units")
	pairs := []struct{ ucumFrom, ucumTo, from, to string }{
		{"[oz_av]", "g", "oz", "g"}, {"[lb_av]", "kg", "lb", "kg"}, {"[gr]", "mg", "grain", "mg"}, {"[oz_tr]", "g", "troyounce", "g"},
		{"[ston_av]", "t", "ton", "tonne"}, {"[stone_av]", "kg", "stone", "kg"}, {"[car_m]", "g", "carat", "g"},
		{"[in_i]", "mm", "inch", "mm"}, {"[ft_i]", "m", "ft", "m"}, {"[mi_i]", "km", "mile", "km"}, {"[nmi_i]", "m", "nauticalmile", "m"},
		{"[ft_us]", "m", "surveyfoot", "m"}, {"[kn_i]", "m/s", "knot", "m/s"}, {"[mil_i]", "um", "mil", "micron"},
		{"[gal_us]", "L", "gal", "L"}, {"[foz_us]", "mL", "floz", "mL"}, {"[bu_us]", "L", "bu", "L"}, {"[cup_us]", "mL", "cup", "mL"},
		{"[tbs_us]", "mL", "tbsp", "mL"}, {"[tsp_us]", "mL", "tsp", "mL"}, {"[bbl_us]", "L", "barrel", "L"},
		{"[gal_br]", "L", "brgallon", "L"}, {"[foz_br]", "mL", "brfluidounce", "mL"}, {"[pt_br]", "mL", "brpint", "mL"},
		{"[psi]", "kPa", "psi", "kPa"}, {"atm", "kPa", "atm", "kPa"}, {"bar", "kPa", "bar", "kPa"}, {"mbar", "Pa", "mbar", "Pa"},
		{"att", "kPa", "technicalatmosphere", "kPa"}, {"[lbf_av]", "N", "lbf", "N"}, {"gf", "mN", "gram force", "mN"}, {"dyn", "uN", "dyne", "micronewton"},
		{"cal_th", "J", "calorie_th", "J"}, {"cal_IT", "J", "calorie_IT", "J"}, {"[Btu_IT]", "kJ", "btu_IT", "kJ"}, {"[HP]", "W", "hp", "W"},
		{"[Btu_IT]/h", "W", "btu_IT/hour", "W"}, {"kW.h", "MJ", "kWh", "MJ"}, {"erg", "nJ", "erg", "nJ"},
		{"[lb_av]/[ft_i]3", "kg/m3", "lb/ft^3", "kg/m^3"}, {"kg/hL", "g/L", "kg/hectoliter", "g/L"}, {"[lb_av]/[bu_us]", "g/L", "lb/bu", "g/L"},
		{"[degR]/min", "K/h", "degR/min", "K/hour"}, {"P", "Pa.s", "poise", "Pa s"}, {"St", "mm2/s", "stokes", "mm^2/s"},
		{"a", "d", "julianyear", "day"}, {"deg", "rad", "degree", "radian"}, {"lm/[sft_i]", "lx", "lm/ft^2", "lx"},
		{"[cft_i]/min", "L/s", "ft^3/min", "L/s"}, {"[ppm]", "%", "ppm", "percent"},
	}
	var lines strings.Builder
	for _, c := range pairs {
		fmt.Fprintf(&lines, "%s\n%s\n", c.from, c.to)
	}
	command := exec.Command(program, "--terse", "--digits", "15")
	command.Env = append(os.Environ(), "UNITS_ENGLISH=US", "LC_ALL=C")
	command.Stdin = strings.NewReader(lines.String())
	out, err := command.CombinedOutput()
	got := strings.Fields(string(out))
	if err != nil || len(got) != len(pairs) {
		t.Fatalf("%d answers to %d questions (%v):\n%s", len(got), len(pairs), err, out)
	}
	for i, c := range pairs {
		f, err := Parse(c.ucumFrom)
		if err != nil {
			t.Fatal(err)
		}
		o, err := Parse(c.ucumTo)
		if err != nil {
			t.Fatal(err)
		}
		slope := convert(f, o, true).Slope
		if want, err := strconv.ParseFloat(got[i], 64); err != nil || f.dim != o.dim || math.Abs(slope-want) > 1e-14*want {
			t.Errorf("%s is %.17g %s, GNU units says %s is %s %s", c.ucumFrom, slope, c.ucumTo, c.from, got[i], c.to)
		}
	}
}
