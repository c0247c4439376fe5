package hub_test

import (
	"io"
	"net/http"
	"strings"
	"testing"
)

// endless is a body whose length nobody has said.
type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

// A request that is too large is refused in words, whether it says how long it is or
// not. That it costs no memory is shown by the program's own tests.
func TestHugeRequestOverHTTP(t *testing.T) {
	b := start(t, hands)
	for what, body := range map[string]io.Reader{
		"of no stated length": io.LimitReader(endless{}, 3<<20),
		"of 2 MiB":            strings.NewReader(strings.Repeat("x", 2<<20)),
	} {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+b.hub.HTTP()+"/v1/notes", body)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		if code, said := do(t, r); code != http.StatusTooManyRequests || !strings.Contains(said, "TOO_MUCH") {
			t.Errorf("a request %s: %d %s", what, code, said)
		}
	}
}
