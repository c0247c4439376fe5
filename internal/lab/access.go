package lab

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"runtime"
	"time"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/document"
)

// readAccess reads whom the hub knows. Without the section it knows nobody, and
// serves this machine alone.
func (l *loader) readAccess(n *document.Node) {
	if n == nil || !n.Expect(document.Map) {
		return
	}
	p := &access.Policy{}
	l.lab.Access = p
	l.readCertificate(n, p)
	authority := n.Field("authority")
	l.readAuthority(authority, p)
	clients := n.Require("clients", "who may call, a list with at least one steward")
	for _, c := range clients.Items() {
		l.readClient(c, p, authority != nil)
	}
	if clients.Kind() == document.List && len(clients.Items()) == 0 {
		clients.Problem("nobody is listed, so that nobody could call: list at least one client")
	}
}

// readCertificate reads what the hub shows of itself.
func (l *loader) readCertificate(n *document.Node, p *access.Policy) {
	const make = "make one with: evenbench keys make"
	certificate, key := n.Require("certificate", "the file of the hub's certificate"), n.Require("key", "the file of its key")
	if certificate.Text("") == "" || key.Text("") == "" {
		return
	}
	keyFile := l.path(key.Text(""))
	info, err := os.Stat(keyFile)
	switch {
	case err != nil:
		key.Problem("read key %s: %v; %s", keyFile, reason(err), make)
		return
	// Elsewhere the mode says nothing of who may read.
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		key.Problem("others can read the key %s: chmod 600 it, and make a new one if somebody may have", keyFile)
	}
	file := l.path(certificate.Text(""))
	if _, err := os.Stat(file); err != nil {
		certificate.Problem("read certificate %s: %v; %s", file, reason(err), make)
		return
	}
	pair, err := tls.LoadX509KeyPair(file, keyFile)
	if err != nil {
		certificate.Problem("use certificate %s with key %s: %v; %s", file, keyFile, err, make)
		return
	}
	p.Certificate = pair
}

func (l *loader) readAuthority(n *document.Node, p *access.Policy) {
	if n.Text("") == "" {
		return
	}
	file := l.path(n.Text(""))
	text, err := os.ReadFile(file)
	if err != nil {
		n.Problem("read authority %s: %v", file, reason(err))
		return
	}
	p.Authority = x509.NewCertPool()
	if !p.Authority.AppendCertsFromPEM(text) {
		n.Problem("%s holds no certificate in PEM: name the ca.crt that evenbench keys make has made", file)
	}
}

func (l *loader) readClient(n *document.Node, p *access.Policy, authority bool) {
	if !n.Expect(document.Map) {
		return
	}
	name, role := n.Require("name", "what the record calls this client"), n.Require("role", "observer, operator or steward")
	c := access.Client{Name: name.Name()}
	switch c.Name {
	case "hub", "driver":
		name.Problem("%q is what the record calls the hub's own parts: choose another name", c.Name)
	default:
		l.take(name, c.Name, "another client")
	}
	if role != nil {
		c.Role, _ = access.ParseRole(role.OneOf(access.RoleNames()...))
	}
	certificate, key, token, until := n.Field("certificate"), n.Field("key"), n.Field("token"), n.Field("until")
	c.CommonName = certificate.Text("")
	c.Key, c.Token = readDigest(key), readDigest(token)
	if d := until.Date(); !d.IsZero() {
		c.Until = d.AddDate(0, 0, 1) // to the end of the day that is written
	}
	byCertificate := first(certificate, key)
	switch {
	case byCertificate == nil && token == nil:
		n.Problem("nothing says how the client is known: write certificate: and the common name in it, key: and the digest of its key, or token: and the digest of a token; evenbench keys prints the line")
	case byCertificate != nil && token != nil:
		token.Problem("the client is known by a certificate already: give the token a client of its own")
	case byCertificate != nil && !authority:
		byCertificate.Problem("no authority says which certificates are real: write access: authority: and the file of its certificate")
	case token != nil && until == nil:
		n.Problem("until is missing: a token that never ends will be lost some day and never missed; write its last day, such as until: 2027-11-30")
	case byCertificate != nil:
		l.take(byCertificate, fmt.Sprintf("certificate %q with key %v", c.CommonName, c.Key), fmt.Sprintf("client %q", c.Name))
	default:
		l.take(token, c.Token.String(), fmt.Sprintf("client %q", c.Name))
	}
	p.Clients = append(p.Clients, c)
}

func readDigest(n *document.Node) access.Digest {
	if n == nil {
		return access.Digest{}
	}
	d, err := access.ParseDigest(n.Text(""))
	if err != nil {
		// It is not repeated: somebody may have written the secret itself.
		n.Problem("%v; a token itself does not belong in this file", err)
	}
	return d
}

// accessSummary says who may call and until when.
func (l *Lab) accessSummary() string {
	if l.Access == nil {
		return ""
	}
	text := ""
	if leaf := l.Access.Certificate.Leaf; leaf != nil {
		text += fmt.Sprintf("  the hub's certificate holds until %s\n", leaf.NotAfter.UTC().Format(time.DateOnly))
	}
	for _, c := range l.Access.Clients {
		until := ", as long as its certificate"
		if !c.Until.IsZero() {
			until = " until " + c.Until.AddDate(0, 0, -1).Format(time.DateOnly)
		}
		text += fmt.Sprintf("  %s is %v%s\n", c.Name, c.Role, until)
	}
	return text
}
