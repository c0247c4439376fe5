package roast

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
)

// Weights of the smoothed value and the first derivative in the middle of even points, as
// printed by Savitzky and Golay, Analytical Chemistry 36 (1964) 1627; the 7-point ones from
// memory, and arithmetic: they are exact rationals that follow from the definition. A
// unit in one point and nothing in the others shows the weight of that point.
func TestFit_PublishedSavitzkyGolayWeights(t *testing.T) {
	for _, c := range []struct {
		degree       int
		value, slope []float64
		overV, overS float64
	}{
		{2, []float64{-3, 12, 17, 12, -3}, []float64{-2, -1, 0, 1, 2}, 35, 10},
		{3, []float64{-2, 3, 6, 7, 6, 3, -2}, []float64{22, -67, -58, 0, 58, 67, -22}, 21, 252},
	} {
		n := len(c.value)
		for k := range n {
			points := make(course, n)
			for i := range points {
				points[i].at = float64(i)
			}
			points[k].cel = 1
			middle := float64(n / 2)
			l, ok := points.fit(middle, 0, float64(n-1), c.degree)
			if !ok || math.Abs(l.cel-c.value[k]/c.overV) > 1e-14 || math.Abs(l.slope-c.slope[k]/c.overS) > 1e-14 {
				t.Errorf("%d points, degree %d, weight %d: %+v, want %v/%v and %v/%v", n, c.degree, k, l, c.value[k], c.overV, c.slope[k], c.overS)
			}
		}
	}
}

// Values and slopes along random series, beside SciPy's filter.
func TestFit_Scipy(t *testing.T) {
	python := peers.PythonModules(t, "scipy")
	random := rand.New(rand.NewPCG(9, 10))
	type series struct {
		Values         []float64
		Length, Degree int
	}
	var all []series
	for range 40 {
		s := series{Degree: 1 + random.IntN(3)}
		s.Length = 5 + 2*random.IntN(20)
		for range s.Length + 10 {
			s.Values = append(s.Values, 300*random.Float64())
		}
		all = append(all, s)
	}
	input, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command(python, "-c", `
import json, sys
from scipy.signal import savgol_filter
print(json.dumps([[list(savgol_filter(s["Values"], s["Length"], s["Degree"], deriv=d)) for d in (0, 1)] for s in json.load(sys.stdin)]))`)
	command.Stdin = strings.NewReader(string(input))
	output, err := command.Output()
	if err != nil {
		t.Fatalf("run %s: %v", python, err)
	}
	var want [][2][]float64
	if err := json.Unmarshal(output, &want); err != nil {
		t.Fatal(err)
	}
	for n, s := range all {
		var c course
		for i, v := range s.Values {
			c = append(c, point{float64(i), v})
		}
		half := s.Length / 2
		for i := half; i < len(c)-half; i++ {
			l, ok := c.fit(float64(i), float64(i-half), float64(i+half), s.Degree)
			if !ok || math.Abs(l.cel-want[n][0][i]) > 1e-9 || math.Abs(l.slope-want[n][1][i]) > 1e-9 {
				t.Fatalf("series %d, %d points, degree %d, at %d: %+v, scipy says %v and %v", n, s.Length, s.Degree, i, l, want[n][0][i], want[n][1][i])
			}
		}
	}
}
