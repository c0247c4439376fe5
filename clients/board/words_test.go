package board

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/evenbench/evenbench/clients/show"
	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var (
	inPages = regexp.MustCompile(`\.T "([^"]+)"`)
	inCode  = regexp.MustCompile(`(?:\.T|say|add)\("([^"]+)"`)
	verbs   = regexp.MustCompile(`%[a-z]`)
)

// Every text of the board is in the catalogue of every language, with the same places for
// what is put into it.
func TestEveryTextIsTranslated(t *testing.T) {
	texts := map[string]bool{}
	for pattern, in := range map[string]*regexp.Regexp{"pages/*.html": inPages, "*.go": inCode} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			for _, m := range in.FindAllStringSubmatch(string(data), -1) {
				texts[m[1]] = true
			}
		}
	}
	if len(texts) < 100 {
		t.Fatalf("only %d texts were found", len(texts))
	}
	for _, p := range probes {
		texts[p.word] = true
	}
	for name := range criteria.Findings {
		texts[spaced(name)] = true
	}
	for _, w := range expectedWords {
		texts[w] = true
	}
	for _, e := range []protoreflect.Enum{pb.MarkKind(1), pb.SampleKind(1), pb.FlagCode(1), pb.QualityReason(1), pb.InstrumentState(1), pb.Quality(1), pb.GapReason(1), pb.Verdict(1), pb.CheckVerdict(1)} {
		d := e.Descriptor().Values()
		for i := range d.Len() {
			if n := d.Get(i).Number(); n != 0 {
				word := show.Words(e.Type().New(n))
				if e.Descriptor().Name() == "SampleKind" {
					word = show.Hyphened(e.Type().New(n))
				}
				texts[word] = true
			}
		}
	}
	for _, l := range languages[1:] {
		for text := range texts {
			translated, ok := catalogue[l.Code][text]
			if !ok {
				t.Errorf("%s has no words for %q", l.Name, text)
				continue
			}
			if have, want := len(verbs.FindAllString(translated, -1)), len(verbs.FindAllString(text, -1)); have != want {
				t.Errorf("%s: %q has %d places and %q has %d", l.Name, text, want, translated, have)
			}
		}
	}
}
