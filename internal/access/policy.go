package access

import (
	"crypto/subtle"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"time"
)

// Policy is the access section of a lab file: who the hub shows itself to be, and
// whom it knows. It does not change once it is made.
type Policy struct {
	// Certificate and key of the hub.
	Certificate tls.Certificate
	// Authority signs the certificates of clients; nil: none are taken.
	Authority *x509.CertPool
	Clients   []Client
}

// Client is a person or program that the hub knows. It is known by a token, or by a
// certificate of the authority that has the common name and the key, where these are
// said.
type Client struct {
	Name       string
	Role       Role
	CommonName string
	Key, Token Digest
	// Until is when it ends, whatever its certificate says; zero: it does not.
	Until time.Time
}

// Presented is what a caller shows of itself.
type Presented struct {
	// Chain is its certificates, its own first. That it has the key to that one has
	// been proved.
	Chain []*x509.Certificate
	// Token is empty if there is none. Where there is one it decides.
	Token string
	// Seat is a token from the browser of an assessor, which is taken for nothing but a
	// seat.
	Seat string
}

// Caller is who was found to call.
type Caller struct {
	// Name of the client; empty where the hub asks for no credentials.
	Name string
	Role Role
	// Until is when its credential ends; zero: it does not.
	Until time.Time
	// Seat is what an assessor has instead of a role; zero: it is none.
	Seat Seat
}

// Refusal says why a credential is not taken. It is for the hub's owner, never for the
// caller.
type Refusal struct {
	// Why, without any secret.
	Why string
	// Do says what the owner may do about it.
	Do string
}

func (r *Refusal) Error() string { return r.Why + ": " + r.Do }

// Identify finds out who presents a credential at a time. Errors are *Refusal.
func (p *Policy) Identify(c Presented, now time.Time) (Caller, error) {
	switch {
	case c.Token != "":
		return p.byToken(c.Token, now)
	case len(c.Chain) > 0:
		return p.byCertificate(c.Chain, now)
	}
	return Caller{}, &Refusal{"no credential was sent", "give the caller a certificate (evenbench keys add) or a token (evenbench keys token)"}
}

func (p *Policy) byToken(token string, now time.Time) (Caller, error) {
	var found *Client
	if len(token) <= longestToken {
		digest := TokenDigest(token)
		// All are compared, so that the time taken says nothing.
		for i := range p.Clients {
			c := &p.Clients[i]
			if c.Token != (Digest{}) && subtle.ConstantTimeCompare(c.Token[:], digest[:]) == 1 {
				found = c
			}
		}
	}
	if found == nil {
		return Caller{}, &Refusal{"the token is none of the lab file's", "if it should be known, make one (evenbench keys token) and put its line under access: clients:"}
	}
	return found.at(now, time.Time{})
}

func (p *Policy) byCertificate(chain []*x509.Certificate, now time.Time) (Caller, error) {
	leaf := chain[0]
	named := fmt.Sprintf("the certificate of %.64q, serial %x", leaf.Subject.CommonName, leaf.SerialNumber)
	if p.Authority == nil {
		return Caller{}, &Refusal{named + " cannot be checked", "the lab file names no authority: set access: authority:, or give the caller a token"}
	}
	between := x509.NewCertPool()
	for _, c := range chain[1:] {
		between.AddCert(c)
	}
	_, err := leaf.Verify(x509.VerifyOptions{
		Roots: p.Authority, Intermediates: between, CurrentTime: now,
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	var invalid x509.CertificateInvalidError
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && now.After(leaf.NotAfter):
		return Caller{}, &Refusal{fmt.Sprintf("%s ended on %s", named, leaf.NotAfter.UTC().Format(time.DateOnly)), "renew it (evenbench keys renew) and give it to the caller"}
	case err != nil:
		return Caller{}, &Refusal{fmt.Sprintf("%s is not of this lab's authority: %v", named, err), "if the caller should be known, make it a certificate (evenbench keys add)"}
	}
	key := KeyDigest(leaf)
	other := "put the line of the client under access: clients:"
	for i := range p.Clients {
		c := &p.Clients[i]
		switch {
		case c.CommonName == "" && c.Key == (Digest{}), c.CommonName != "" && c.CommonName != leaf.Subject.CommonName:
		case c.Key != (Digest{}) && subtle.ConstantTimeCompare(c.Key[:], key[:]) != 1:
			other = fmt.Sprintf("its key is %v, and another one is pinned for %s: if the key was meant to change, write this one", key, c.Name)
		default:
			return c.at(now, leaf.NotAfter)
		}
	}
	return Caller{}, &Refusal{named + " is of this lab's authority, and is none of the lab file's clients", other}
}

// at returns the client as a caller if it has not ended. End is that of its
// certificate; zero: none.
func (c *Client) at(now, end time.Time) (Caller, error) {
	if !c.Until.IsZero() && !now.Before(c.Until) {
		return Caller{}, &Refusal{fmt.Sprintf("the credential of client %q ended on %s", c.Name, lastDay(c.Until)), "set a later until: in its line of the lab file, with a new token if it has one"}
	}
	if end.IsZero() || !c.Until.IsZero() && c.Until.Before(end) {
		end = c.Until
	}
	return Caller{Name: c.Name, Role: c.Role, Until: end}, nil
}

// lastDay names the last day before a moment.
func lastDay(until time.Time) string { return until.Add(-1).UTC().Format(time.DateOnly) }

// warnAhead is how long before its end a credential is worth a word: enough to renew
// it before a harvest's next busy week.
const warnAhead = 30 * 24 * time.Hour

// Concerns lists what has ended or is about to: for the owner, when the policy is
// taken up.
func (p *Policy) Concerns(now time.Time) []string {
	var list []string
	say := func(what string, end time.Time, do string) {
		switch {
		case end.IsZero() || end.Sub(now) > warnAhead:
		case now.Before(end):
			list = append(list, fmt.Sprintf("%s ends on %s: %s", what, end.UTC().Format(time.DateOnly), do))
		default:
			list = append(list, fmt.Sprintf("%s ended on %s: %s", what, end.UTC().Format(time.DateOnly), do))
		}
	}
	if leaf := p.Certificate.Leaf; leaf != nil {
		say("the hub's certificate", leaf.NotAfter, "renew it (evenbench keys renew), and reload")
	}
	for _, c := range p.Clients {
		say(fmt.Sprintf("client %q", c.Name), c.Until, "set a later until:, with a new token if it has one")
	}
	return list
}
