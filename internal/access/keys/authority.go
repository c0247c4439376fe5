// Package keys makes the certificates of a lab: an authority of its own, the hub's
// certificate, and one for each client.
package keys

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"time"
)

const (
	// An authority that ends takes every certificate with it: longer than anybody
	// wants to keep a hub without looking at it.
	authorityYears = 10
	// backdate lets a machine whose clock is behind take a new certificate.
	backdate = time.Hour
)

// Pair is a certificate and its key.
type Pair struct {
	Certificate *x509.Certificate
	Key         *ecdsa.PrivateKey
}

// NewAuthority makes the authority of a lab.
func NewAuthority(now time.Time) (*Pair, error) {
	return issue(nil, &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Evenbench lab authority"},
		NotBefore: now.Add(-backdate), NotAfter: now.AddDate(authorityYears, 0, 0),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}, nil)
}

// Hub makes the certificate of a hub that clients reach by the hosts, names or
// addresses, and from its own machine.
func (p *Pair) Hub(hosts []string, now, end time.Time) (*Pair, error) {
	c := leaf("evenbench hub", x509.ExtKeyUsageServerAuth, now, end)
	setHosts(c, hosts)
	return issue(p, c, nil)
}

// Client makes the certificate of a client.
func (p *Pair) Client(name string, now, end time.Time) (*Pair, error) {
	return issue(p, leaf(name, x509.ExtKeyUsageClientAuth, now, end), nil)
}

// Renew makes another certificate for the same key. Hosts, if there are any, take the
// place of the old ones.
func (p *Pair) Renew(old *Pair, hosts []string, now, end time.Time) (*Pair, error) {
	if old.Certificate.IsCA {
		return nil, errors.New("an authority cannot be renewed: make new keys in a new folder, and give them to everybody")
	}
	c := leaf(old.Certificate.Subject.CommonName, old.Certificate.ExtKeyUsage[0], now, end)
	c.DNSNames, c.IPAddresses = old.Certificate.DNSNames, old.Certificate.IPAddresses
	if len(hosts) > 0 {
		setHosts(c, hosts)
	}
	return issue(p, c, old.Key)
}

func leaf(name string, use x509.ExtKeyUsage, now, end time.Time) *x509.Certificate {
	return &x509.Certificate{
		Subject:   pkix.Name{CommonName: name},
		NotBefore: now.Add(-backdate), NotAfter: end,
		BasicConstraintsValid: true,
		KeyUsage:              x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{use},
	}
}

func setHosts(c *x509.Certificate, hosts []string) {
	c.DNSNames, c.IPAddresses = []string{"localhost"}, []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, h)
		}
	}
}

// issue signs a certificate, by itself if there is no authority, for a key, a new one
// if there is none.
func issue(by *Pair, c *x509.Certificate, key *ecdsa.PrivateKey) (*Pair, error) {
	if key == nil {
		var err error
		if key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
			return nil, fmt.Errorf("make a key: %w", err)
		}
	}
	if by == nil {
		by = &Pair{c, key}
	}
	// Without a serial number one is drawn at random.
	der, err := x509.CreateCertificate(rand.Reader, c, by.Certificate, key.Public(), by.Key)
	if err != nil {
		return nil, fmt.Errorf("make the certificate of %s: %w", c.Subject.CommonName, err)
	}
	made, err := x509.ParseCertificate(der)
	return &Pair{made, key}, err
}

// CertificatePEM is the certificate as it is kept in a file.
func (p *Pair) CertificatePEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: p.Certificate.Raw})
}

// KeyPEM is the key as it is kept in a file (PKCS #8).
func (p *Pair) KeyPEM() ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(p.Key)
	if err != nil {
		return nil, fmt.Errorf("write the key of %s: %w", p.Certificate.Subject.CommonName, err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), nil
}
