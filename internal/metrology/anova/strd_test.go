package anova_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/peers"
)

// certified is a data set of NIST StRD.
type certified struct {
	Name            string
	Groups          [][]string
	Between, Within [3]string // degrees of freedom, sum of squares, mean square
	F               string
	R2              string
	ResidualSD      string `json:"residual_sd"`
	// digits that every certified figure is reached to.
	digits float64
}

// generated are the sets SmLs01 to SmLs09, which NIST made by a rule; see smls. Of
// the last three nothing better can be had from float64: next to 1000000000000.4 its
// neighbours are 0.00012 away.
var generated = []certified{
	smls("SmLs01", "1", 21, 13), smls("SmLs02", "1", 201, 13), smls("SmLs03", "1", 2001, 13),
	smls("SmLs04", "1000000", 21, 9.5), smls("SmLs05", "1000000", 201, 9.5), smls("SmLs06", "1000000", 2001, 9.5),
	smls("SmLs07", "1000000000000", 21, 3.5), smls("SmLs08", "1000000000000", 201, 3.5), smls("SmLs09", "1000000000000", 2001, 3.5),
}

// smls makes a set of 9 groups whose first readings end in .4 .3 .5 .3 .5 … and are
// followed by readings a tenth below and above that, in turn. The certified sums of
// squares follow: within a group (n−1)/100, between them 8·0.01·n.
func smls(name, leading string, n int, digits float64) certified {
	c := certified{Name: name, ResidualSD: "1.00000000000000E-01", digits: digits}
	for group := range 9 {
		middle := 4
		if group > 0 {
			middle = 3 + 2*((group+1)%2)
		}
		readings := []string{fmt.Sprintf("%s.%d", leading, middle)}
		for k := 1; k < n; k++ {
			readings = append(readings, fmt.Sprintf("%s.%d", leading, middle-1+2*((k+1)%2)))
		}
		c.Groups = append(c.Groups, readings)
	}
	figures := map[int]certified{
		21: {
			Between: [3]string{"8", "1.68000000000000E+00", "2.10000000000000E-01"},
			Within:  [3]string{"180", "1.80000000000000E+00", "1.00000000000000E-02"},
			F:       "2.10000000000000E+01", R2: "4.82758620689655E-01",
		},
		201: {
			Between: [3]string{"8", "1.60800000000000E+01", "2.01000000000000E+00"},
			Within:  [3]string{"1800", "1.80000000000000E+01", "1.00000000000000E-02"},
			F:       "2.01000000000000E+02", R2: "4.71830985915493E-01",
		},
		2001: {
			Between: [3]string{"8", "1.60080000000000E+02", "2.00100000000000E+01"},
			Within:  [3]string{"18000", "1.80000000000000E+02", "1.00000000000000E-02"},
			F:       "2.00100000000000E+03", R2: "4.70712773465067E-01",
		},
	}[n]
	c.Between, c.Within, c.F, c.R2 = figures.Between, figures.Within, figures.F, figures.R2
	return c
}

// sets are all of them.
func sets(t *testing.T) []certified {
	t.Helper()
	text, err := os.ReadFile("testdata/strd.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Sets []certified }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	for i := range file.Sets {
		file.Sets[i].digits = map[string]float64{"SiRstv": 12.5, "AtmWtAg": 9.5}[file.Sets[i].Name]
	}
	if len(file.Sets) != 2 {
		t.Fatalf("%d sets in the file, want 2", len(file.Sets))
	}
	return append(file.Sets, generated...)
}

func (c certified) numbers(t *testing.T) [][]float64 {
	t.Helper()
	out := make([][]float64, len(c.Groups))
	for i, g := range c.Groups {
		for _, s := range g {
			out[i] = append(out[i], number(t, s))
		}
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// digits that agree: the logarithm of the relative error, 15 at most.
func digits(got, want float64) float64 {
	return math.Min(15, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}

func TestNISTStRDOneWay(t *testing.T) {
	for _, set := range sets(t) {
		t.Run(set.Name, func(t *testing.T) {
			groups := set.numbers(t)
			got, err := anova.OneWay(groups)
			if err != nil {
				t.Fatal(err)
			}
			if b, w := strconv.Itoa(got.Between.Freedom), strconv.Itoa(got.Within.Freedom); b != set.Between[0] || w != set.Within[0] {
				t.Errorf("degrees of freedom %s and %s, certified are %s and %s", b, w, set.Between[0], set.Within[0])
			}
			figures := []float64{got.Between.SumOfSquares, got.Between.MeanSquare, got.Within.SumOfSquares, got.Within.MeanSquare, got.F, got.RSquared, got.ResidualSD}
			least := 15.0
			for i, s := range []string{set.Between[1], set.Between[2], set.Within[1], set.Within[2], set.F, set.R2, set.ResidualSD} {
				least = math.Min(least, digits(figures[i], number(t, s)))
			}
			// Nor is anything lost beyond the rounding of the readings: with the
			// very floats, exact arithmetic says the same.
			between, within := exact(groups)
			kept := math.Min(digits(got.Between.SumOfSquares, between), digits(got.Within.SumOfSquares, within))
			t.Logf("digits: %.1f of the certified figures, %.1f of those for the readings as floats", least, kept)
			if !(least >= set.digits && kept >= 13) {
				t.Errorf("stated are %v and 13", set.digits)
			}
		})
	}
}

// exact returns the sums of squares between and within groups by rational numbers.
func exact(groups [][]float64) (between, within float64) {
	all, n, rest := new(big.Rat), 0, new(big.Rat)
	sums := make([]*big.Rat, len(groups))
	for i, g := range groups {
		sums[i] = new(big.Rat)
		for _, x := range g {
			r := new(big.Rat).SetFloat64(x)
			sums[i].Add(sums[i], r)
			rest.Add(rest, r.Mul(r, r))
		}
		all.Add(all, sums[i])
		n += len(g)
	}
	// Σ S²/n of the groups, less that of all, and Σ x² less it.
	square := func(s *big.Rat, n int) *big.Rat {
		r := new(big.Rat).Mul(s, s)
		return r.Quo(r, big.NewRat(int64(n), 1))
	}
	means := new(big.Rat)
	for i, s := range sums {
		means.Add(means, square(s, len(groups[i])))
	}
	rest.Sub(rest, means)
	means.Sub(means, square(all, n))
	between, _ = means.Float64()
	within, _ = rest.Float64()
	return between, within
}

// What smls makes is what NIST published: SciPy's own tests carry the files.
func TestGeneratedSetsAreThePublishedOnes(t *testing.T) {
	python := peers.PythonModules(t, "scipy.stats")
	out, err := exec.Command(python, "-c", "import os, scipy.stats; print(os.path.dirname(scipy.stats.__file__))").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, set := range generated {
		path := filepath.Join(strings.TrimSpace(string(out)), "tests", "data", "nist_anova", set.Name+".dat")
		peers.File(t, path, "the data of SciPy's tests")
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		_, certifiedPart, _ := strings.Cut(string(text), "Certified Values:")
		head, data, ok := strings.Cut(certifiedPart, "Data:")
		if !ok {
			t.Fatalf("%s has no data", path)
		}
		for _, figure := range append(append([]string{set.F, set.R2, set.ResidualSD}, set.Between[:]...), set.Within[:]...) {
			if !strings.Contains(head, " "+figure) {
				t.Errorf("%s: %s is not certified", set.Name, figure)
			}
		}
		var want [9][]string
		_, data, _ = strings.Cut(data, "\n")
		for line := range strings.Lines(data) {
			f := strings.Fields(line)
			if len(f) == 0 {
				continue
			}
			group, err := strconv.Atoi(f[0])
			if err != nil || len(f) != 2 {
				t.Fatalf("%s: %q is not a reading", set.Name, line)
			}
			want[group-1] = append(want[group-1], f[1])
		}
		if got := fmt.Sprint(set.Groups); got != fmt.Sprint(want) {
			t.Errorf("%s is not as published", set.Name)
		}
	}
}
