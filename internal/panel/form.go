package panel

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Form is how the marks of one assessor for one cup become a score:
//
//	score = Base + Weight · (sum of the attributes' marks) − sum of the deductions
//
// rounded to Step. A form is data: a lab may bring its own.
type Form struct {
	Name string `json:"name"`
	// Source of the form, and what of it is from memory.
	Source     string      `json:"source"`
	Attributes []Attribute `json:"attributes"`
	Base       float64     `json:"base"`
	Weight     float64     `json:"weight"`
	// Cups of one lot that are tasted, 1 or more: as many at most can be counted against
	// it.
	Cups       int         `json:"cups"`
	Deductions []Deduction `json:"deductions"`
	// Step of the score; 0: as it comes. What lies in the middle is rounded up.
	Step float64 `json:"step"`
	// Words for what is tasted, to choose from; others may be written.
	Words []string `json:"words"`
}

// Attribute is marked from Low to High in steps of Step; with a Step of 0 any mark
// between will do.
type Attribute struct {
	Name string  `json:"name"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	Step float64 `json:"step"`
}

// Deduction takes Points, not below 0, off for each cup that is counted under it.
type Deduction struct {
	Name   string  `json:"name"`
	Points float64 `json:"points"`
}

// Filled is a form that one assessor filled in for one lot.
type Filled struct {
	// Marks by the attribute's name, of every one.
	Marks map[string]float64
	// Counted cups by the deduction's name; what is left out is none.
	Counted map[string]int
}

//go:embed forms.json
var published []byte

// Forms returns the forms that come along: see forms.json, with the source of each.
func Forms() []Form {
	forms, err := ParseForms(published)
	if err != nil { // it is part of the program, and tested
		panic(err)
	}
	return forms
}

// ParseForms reads a list of forms in JSON. It is an error if it is no such list, if it
// has a field that no form has, or if a form cannot make a score.
func ParseForms(text []byte) ([]Form, error) {
	var forms []Form
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&forms); err != nil {
		return nil, fmt.Errorf("read forms: %w", err)
	}
	for _, f := range forms {
		if err := f.Check(); err != nil {
			return nil, fmt.Errorf("read forms: form %q: %w", f.Name, err)
		}
	}
	return forms, nil
}

// Check says why a form cannot make a score.
func (f Form) Check() error {
	switch {
	case f.Name == "" || f.Source == "":
		return fmt.Errorf("a form has a name and a source")
	case len(f.Attributes) == 0:
		return fmt.Errorf("it has no attributes")
	case f.Cups < 1:
		return fmt.Errorf("it is of %d cups; at least 1", f.Cups)
	case f.Weight == 0 || f.Step < 0:
		return fmt.Errorf("its weight is %g and its step %g; the weight is not 0 and the step not below", f.Weight, f.Step)
	}
	var names []string
	for _, a := range f.Attributes {
		if !(a.Low < a.High) || a.Step < 0 {
			return fmt.Errorf("%q goes from %g to %g in steps of %g; give rising limits and a step that is not below 0", a.Name, a.Low, a.High, a.Step)
		}
		names = append(names, a.Name)
	}
	for _, d := range f.Deductions {
		if d.Points < 0 {
			return fmt.Errorf("%q deducts %g points; give what is taken off, not below 0", d.Name, d.Points)
		}
		names = append(names, d.Name)
	}
	for i, w := range f.Words {
		if strings.TrimSpace(w) == "" || slices.Contains(f.Words[:i], w) {
			return fmt.Errorf("word %d is %q; give each once", i+1, w)
		}
	}
	for i, n := range names {
		if n == "" || slices.Contains(names[:i], n) {
			return fmt.Errorf("it has two attributes or deductions %q, or one without a name", n)
		}
	}
	return nil
}

// Score returns the score of a form that was filled in. All that is wrong with it is
// said at once: a mark that is missing, outside its limits or between its steps, more
// cups counted than there are, a name that the form does not have.
func (f Form) Score(filled Filled) (float64, error) {
	missing, wrong := f.look(filled)
	for _, name := range missing {
		wrong = append(wrong, name+" is not marked")
	}
	if len(wrong) > 0 {
		return 0, fmt.Errorf("score by the form %q: %s", f.Name, strings.Join(wrong, "; "))
	}
	sum := 0.0
	for _, a := range f.Attributes {
		sum += filled.Marks[a.Name]
	}
	score := f.Base + f.Weight*sum
	for _, d := range f.Deductions {
		score -= d.Points * float64(filled.Counted[d.Name])
	}
	if f.Step > 0 {
		// A hair up, so that what is binary just below the middle is rounded like it.
		score = math.Floor(score/f.Step+0.5+1e-9) * f.Step
	}
	return score, nil
}

// Missing returns the attributes that are not marked yet. It is an error if something that
// is marked or counted cannot be: all of it is said at once.
func (f Form) Missing(filled Filled) ([]string, error) {
	missing, wrong := f.look(filled)
	if len(wrong) > 0 {
		return nil, fmt.Errorf("read the form %q: %s", f.Name, strings.Join(wrong, "; "))
	}
	return missing, nil
}

func (f Form) look(filled Filled) (missing, wrong []string) {
	for _, a := range f.Attributes {
		mark, ok := filled.Marks[a.Name]
		switch {
		case !ok:
			missing = append(missing, a.Name)
		case !(mark >= a.Low && mark <= a.High) || a.Step > 0 && !whole((mark-a.Low)/a.Step):
			wrong = append(wrong, fmt.Sprintf("%s is marked %g, and can be %s", a.Name, mark, a.span()))
		}
	}
	for _, d := range f.Deductions {
		if n := filled.Counted[d.Name]; n < 0 || n > f.Cups {
			wrong = append(wrong, fmt.Sprintf("%d cups are %s, of %d", n, d.Name, f.Cups))
		}
	}
	for _, name := range slices.Sorted(keys(filled)) {
		if !f.has(name) {
			wrong = append(wrong, fmt.Sprintf("%s is not on the form", name))
		}
	}
	return missing, wrong
}

func whole(x float64) bool { return math.Abs(x-math.Round(x)) < 1e-9 }

func (a Attribute) span() string {
	if a.Step == 0 {
		return fmt.Sprintf("%g to %g", a.Low, a.High)
	}
	return fmt.Sprintf("%g to %g in steps of %g", a.Low, a.High, a.Step)
}

func keys(f Filled) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for name := range f.Marks {
			if !yield(name) {
				return
			}
		}
		for name := range f.Counted {
			if !yield(name) {
				return
			}
		}
	}
}

func (f Form) has(name string) bool {
	return slices.ContainsFunc(f.Attributes, func(a Attribute) bool { return a.Name == name }) ||
		slices.ContainsFunc(f.Deductions, func(d Deduction) bool { return d.Name == name })
}

// Mention says how many assessors used a word for a lot.
type Mention struct {
	Word      string
	Assessors int
}

// Tally counts descriptors, given as the words of each assessor: in either case, and
// each once for an assessor. The most used come first, those used alike by the alphabet.
func Tally(words [][]string) []Mention {
	counts := map[string]int{}
	for _, list := range words {
		seen := map[string]bool{}
		for _, w := range list {
			if w = strings.ToLower(strings.Join(strings.Fields(w), " ")); w != "" && !seen[w] {
				seen[w] = true
				counts[w]++
			}
		}
	}
	var out []Mention
	for w, n := range counts {
		out = append(out, Mention{w, n})
	}
	slices.SortFunc(out, func(a, b Mention) int {
		if a.Assessors != b.Assessors {
			return b.Assessors - a.Assessors
		}
		return strings.Compare(a.Word, b.Word)
	})
	return out
}
