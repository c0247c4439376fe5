package access_test

import (
	"crypto/x509"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func days(n int) time.Time { return now.AddDate(0, 0, n) }

// made fails the test where a certificate could not be made.
func made(t *testing.T) func(*keys.Pair, error) *keys.Pair {
	return func(p *keys.Pair, err error) *keys.Pair {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
}

func pool(p *keys.Pair) *x509.CertPool {
	all := x509.NewCertPool()
	all.AddCert(p.Certificate)
	return all
}

func shown(p *keys.Pair) access.Presented {
	return access.Presented{Chain: []*x509.Certificate{p.Certificate}}
}

func TestIdentify(t *testing.T) {
	must := made(t)
	authority, other := must(keys.NewAuthority(now)), must(keys.NewAuthority(now))
	desk := must(authority.Client("desk", now, days(30)))
	stolen := must(authority.Client("desk", now, days(30)))
	ended := must(authority.Client("scale-pc", now.AddDate(-1, 0, 0), days(-1)))
	token, old := access.NewToken(), access.NewToken()
	policy := &access.Policy{Authority: pool(authority), Clients: []access.Client{
		{Name: "desk", Role: access.Operator, CommonName: "desk", Key: access.KeyDigest(desk.Certificate)},
		{Name: "scale-pc", Role: access.Observer, CommonName: "scale-pc"},
		{Name: "board", Role: access.Observer, Token: access.TokenDigest(token), Until: days(7)},
		{Name: "old-board", Role: access.Steward, Token: access.TokenDigest(old), Until: days(0)},
	}}
	for _, c := range []struct {
		what      string
		presented access.Presented
		name      string
		until     time.Time
		why       string
	}{
		{"a certificate", shown(desk), "desk", days(30), ""},
		{"a token", access.Presented{Token: token}, "board", days(7), ""},
		{"nothing", access.Presented{}, "", time.Time{}, "no credential"},
		{"the common name with another key", shown(stolen), "", time.Time{}, "another one is pinned for desk"},
		{"a certificate that has ended", shown(ended), "", time.Time{}, "ended on 2026-11-24"},
		{"a certificate of another authority", shown(must(other.Client("desk", now, days(30)))), "", time.Time{}, "not of this lab's authority"},
		{"a certificate for a hub", shown(must(authority.Hub(nil, now, days(30)))), "", time.Time{}, "not of this lab's authority"},
		{"a certificate of nobody on the list", shown(must(authority.Client("guest", now, days(30)))), "", time.Time{}, "none of the lab file's clients"},
		{"a token that has ended", access.Presented{Token: old}, "", time.Time{}, "ended on"},
		{"a wrong token", access.Presented{Token: access.NewToken()}, "", time.Time{}, "none of the lab file's"},
		{"a digest for a token", access.Presented{Token: access.TokenDigest(token).String()}, "", time.Time{}, "none of the lab file's"},
		{"a wrong token with a good certificate", access.Presented{Chain: shown(desk).Chain, Token: "x"}, "", time.Time{}, "none of the lab file's"},
		{"a token without end", access.Presented{Token: strings.Repeat("x", 1<<20)}, "", time.Time{}, "none of the lab file's"},
	} {
		got, err := policy.Identify(c.presented, now)
		if got.Name != c.name || !got.Until.Equal(c.until) || (err == nil) != (c.name != "") {
			t.Errorf("%s: it is %+v, %v; want %q until %v", c.what, got, err, c.name, c.until)
		}
		var r *access.Refusal
		if c.why != "" && (!errors.As(err, &r) || !strings.Contains(r.Why+r.Do, c.why) || r.Do == "") {
			t.Errorf("%s: the owner is told %v; want %q and what to do", c.what, err, c.why)
		}
		if err != nil && (strings.Contains(err.Error(), token) || strings.Contains(err.Error(), old)) {
			t.Errorf("%s: the refusal tells the token: %v", c.what, err)
		}
	}
}

// The day before a credential ends it is taken, and from its end on no more.
func TestCredentialEndsOnItsDay(t *testing.T) {
	token := access.NewToken()
	end := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	policy := &access.Policy{Clients: []access.Client{{Name: "board", Role: access.Observer, Token: access.TokenDigest(token), Until: end}}}
	if _, err := policy.Identify(access.Presented{Token: token}, end.Add(-time.Second)); err != nil {
		t.Errorf("a second before its end: %v", err)
	}
	if _, err := policy.Identify(access.Presented{Token: token}, end); err == nil || !strings.Contains(err.Error(), "2026-11-30") {
		t.Errorf("at its end: %v, want a refusal that names the last day", err)
	}
	if c := policy.Concerns(end.AddDate(0, 0, -3)); len(c) != 1 || !strings.Contains(c[0], `"board" ends`) {
		t.Errorf("three days before its end the owner is told %q", c)
	}
	if c := policy.Concerns(end.AddDate(0, 0, -90)); len(c) != 0 {
		t.Errorf("long before its end the owner is told %q", c)
	}
}

func TestParseDigest(t *testing.T) {
	d := access.TokenDigest("one")
	if got, err := access.ParseDigest(d.String()); err != nil || got != d {
		t.Errorf("%v reads as %v, %v", d, got, err)
	}
	for _, text := range []string{"", "sha256:", "sha256:00", strings.TrimPrefix(d.String(), "sha256:"), d.String() + "00", "md5:" + strings.Repeat("0", 64)} {
		if got, err := access.ParseDigest(text); err == nil {
			t.Errorf("%q reads as %v", text, got)
		}
	}
}

func TestRoleNames(t *testing.T) {
	for _, name := range access.RoleNames() {
		if r, ok := access.ParseRole(name); !ok || r.String() != name {
			t.Errorf("%q reads as %v, %v", name, r, ok)
		}
	}
	for _, name := range []string{"", "nobody", "Steward", "admin"} {
		if r, ok := access.ParseRole(name); ok {
			t.Errorf("%q reads as %v", name, r)
		}
	}
}
