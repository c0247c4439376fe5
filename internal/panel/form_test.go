package panel_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
)

func form(t testing.TB, name string) panel.Form {
	t.Helper()
	forms := panel.Forms()
	i := slices.IndexFunc(forms, func(f panel.Form) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("there is no form %q", name)
	}
	return forms[i]
}

// filled spreads a sum over the attributes of the affective form.
func filled(f panel.Form, sum int) panel.Filled {
	marks := map[string]float64{}
	for i, a := range f.Attributes {
		rest := len(f.Attributes) - 1 - i
		mark := max(1, min(9, sum-rest))
		marks[a.Name] = float64(mark)
		sum -= mark
	}
	return panel.Filled{Marks: marks, Counted: map[string]int{}}
}

// Published pairs of the sum of marks and the score, with non-uniform and defective
// cups; 44 lies in the middle between 81.50 and 81.75 and is arithmetic.
func TestAffectiveScore(t *testing.T) {
	f := form(t, "affective")
	for _, c := range []struct {
		sum, nonUniform, defective int
		want                       float64
	}{
		{8, 0, 0, 58}, {40, 0, 0, 79}, {45, 0, 0, 82.25}, {50, 0, 0, 85.50}, {56, 0, 0, 89.50}, {72, 0, 0, 100},
		{56, 1, 1, 83.50}, {44, 0, 0, 81.75},
	} {
		x := filled(f, c.sum)
		x.Counted["non-uniform"], x.Counted["defective"] = c.nonUniform, c.defective
		if got, err := f.Score(x); err != nil || got != c.want {
			t.Errorf("%+v: %v (%v), want %v", c, got, err, c.want)
		}
	}
}

// The sum of ten marks less 2 for a tainted and 4 for a faulty cup.
func TestTenAttributeScore(t *testing.T) {
	f := form(t, "ten attributes")
	x := panel.Filled{Marks: map[string]float64{}, Counted: map[string]int{"tainted": 1, "faulty": 2}}
	for i, a := range f.Attributes {
		x.Marks[a.Name] = []float64{7.75, 8, 7.5, 8.25, 7.75, 7.5, 8, 10, 10, 8}[i]
	}
	if got, err := f.Score(x); err != nil || got != 82.75-2-8 {
		t.Errorf("%v (%v), want 72.75", got, err)
	}
}

// All that is wrong with a form is said at once.
func TestWhatIsWrongWithAFilledForm(t *testing.T) {
	f := form(t, "affective")
	x := filled(f, 45)
	delete(x.Marks, "aroma")
	x.Marks["acidity"], x.Marks["overall"], x.Marks["sweetness"], x.Marks["body"] = 10, 5.5, math.NaN(), 3
	x.Counted["defective"], x.Counted["mouldy"] = 6, 1
	_, err := f.Score(x)
	if err == nil {
		t.Fatal("it has a score")
	}
	for _, says := range []string{
		"aroma is not marked", "acidity is marked 10, and can be 1 to 9 in steps of 1", "overall is marked 5.5", "sweetness is marked NaN",
		"6 cups are defective, of 5", "body is not on the form", "mouldy is not on the form",
	} {
		if !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}

func TestFormsOfALab(t *testing.T) {
	const ours = `[{"name": "ours", "source": "our own", "attributes": [{"name": "a", "low": 0, "high": 5}], "weight": 20, "cups": 1}]`
	forms, err := panel.ParseForms([]byte(ours))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := forms[0].Score(panel.Filled{Marks: map[string]float64{"a": 4.321}}); err != nil || math.Abs(got-86.42) > 1e-12 {
		t.Errorf("%v, %v", got, err)
	}
	for says, text := range map[string]string{
		"read forms: unexpected EOF":       `[`,
		`unknown field "colour"`:           `[{"colour": 1}]`,
		"has a name and a source":          `[{"name": "x"}]`,
		"it has no attributes":             `[{"name": "x", "source": "y"}]`,
		"it is of 0 cups":                  strings.Replace(ours, `"cups": 1`, `"cups": 0`, 1),
		"its weight is 0":                  strings.Replace(ours, `"weight": 20`, `"weight": 0`, 1),
		`"a" goes from 9 to 5`:             strings.Replace(ours, `"low": 0`, `"low": 9`, 1),
		`"bad" deducts -2 points`:          strings.Replace(ours, `"cups": 1`, `"cups": 1, "deductions": [{"name": "bad", "points": -2}]`, 1),
		`two attributes or deductions "a"`: strings.Replace(ours, `"cups": 1`, `"cups": 1, "deductions": [{"name": "a", "points": 2}]`, 1),
	} {
		if _, err := panel.ParseForms([]byte(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}

func TestDescriptorsAreCountedOncePerAssessor(t *testing.T) {
	got := panel.Tally([][]string{{"Citrus", "black  tea", "citrus "}, {"black tea", "honey"}, {"", "cocoa", "black tea"}})
	want := []panel.Mention{{"black tea", 3}, {"citrus", 1}, {"cocoa", 1}, {"honey", 1}}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
