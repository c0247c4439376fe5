package board

import (
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
)

// The forms that come along are shown in every language.
func TestFormsAreTranslated(t *testing.T) {
	for _, f := range panel.Forms() {
		var texts []string
		for _, a := range f.Attributes {
			texts = append(texts, a.Name)
		}
		for _, d := range f.Deductions {
			texts = append(texts, d.Name)
		}
		for _, l := range languages[1:] {
			for _, text := range append(texts, f.Words...) {
				if catalogue[l.Code][text] == "" {
					t.Errorf("%s has no word for %q of the form %q", l.Name, text, f.Name)
				}
			}
		}
	}
}
