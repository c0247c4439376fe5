package keys

import (
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Names of the files that are not a client's.
const (
	AuthorityName = "ca"
	HubName       = "hub"
)

// Folder keeps the pairs of a lab, NAME.crt and NAME.key each. Nothing in it is ever
// overwritten.
type Folder string

// Certificate and Key are the files of a pair.
func (f Folder) Certificate(name string) string { return filepath.Join(string(f), name+".crt") }

// Key is the file of a pair's key.
func (f Folder) Key(name string) string { return filepath.Join(string(f), name+".key") }

// Make makes the authority, the hub's certificate and those of clients, in a folder
// that has none of them.
func (f Folder) Make(hosts, clients []string, now, end time.Time) (hub *Pair, made []*Pair, err error) {
	if err := f.free(append(clients, AuthorityName, HubName)...); err != nil {
		return nil, nil, err
	}
	authority, err := NewAuthority(now)
	if err != nil {
		return nil, nil, err
	}
	if hub, err = authority.Hub(hosts, now, end); err != nil {
		return nil, nil, err
	}
	if err := os.MkdirAll(string(f), 0o700); err != nil {
		return nil, nil, fmt.Errorf("make the folder of the keys: %w", err)
	}
	if err := errors.Join(f.write(AuthorityName, authority), f.write(HubName, hub)); err != nil {
		return nil, nil, err
	}
	made, err = f.Add(clients, now, end)
	return hub, made, err
}

// Add makes certificates for clients that have none.
func (f Folder) Add(clients []string, now, end time.Time) ([]*Pair, error) {
	authority, err := f.read(AuthorityName)
	if err != nil {
		return nil, err
	}
	if err := f.free(clients...); err != nil {
		return nil, err
	}
	var made []*Pair
	for _, name := range clients {
		p, err := authority.Client(name, now, end)
		if err != nil {
			return made, err
		}
		if err := f.write(name, p); err != nil {
			return made, err
		}
		made = append(made, p)
	}
	return made, nil
}

// Renew gives a pair another certificate for its key. The old one stays beside it,
// under the name that aside says.
func (f Folder) Renew(name string, hosts []string, now, end time.Time) (renewed *Pair, aside string, err error) {
	authority, err := f.read(AuthorityName)
	if err != nil {
		return nil, "", err
	}
	old, err := f.read(name)
	if err != nil {
		return nil, "", err
	}
	if renewed, err = authority.Renew(old, hosts, now, end); err != nil {
		return nil, "", err
	}
	next := f.Certificate(name) + ".next"
	if err := writeNew(next, renewed.CertificatePEM(), 0o644); err != nil {
		return nil, "", err
	}
	defer func() { _ = os.Remove(next) }() // where it did not take its place
	aside = f.Certificate(fmt.Sprintf("%s.%x", name, old.Certificate.SerialNumber))
	err = os.Link(f.Certificate(name), aside)
	if err == nil {
		err = os.Rename(next, f.Certificate(name))
	}
	if err != nil {
		return nil, "", fmt.Errorf("put the new certificate in place of %s: %w", f.Certificate(name), err)
	}
	return renewed, aside, nil
}

// free refuses names of which a file is there.
func (f Folder) free(names ...string) error {
	for _, name := range names {
		for _, file := range []string{f.Certificate(name), f.Key(name)} {
			if _, err := os.Lstat(file); !errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("%s is there already, and nothing is overwritten: renew it (evenbench keys renew), or choose another name or folder", file)
			}
		}
	}
	return nil
}

func (f Folder) write(name string, p *Pair) error {
	key, err := p.KeyPEM()
	if err != nil {
		return err
	}
	// The key first: a certificate without one looks like something that works.
	if err := writeNew(f.Key(name), key, 0o600); err != nil {
		return err
	}
	return writeNew(f.Certificate(name), p.CertificatePEM(), 0o644)
}

// writeNew writes a file that is not there yet.
func writeNew(path string, content []byte, mode os.FileMode) error {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = file.Write(content)
	if err = errors.Join(err, file.Sync(), file.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

func (f Folder) read(name string) (*Pair, error) {
	pair, err := tls.LoadX509KeyPair(f.Certificate(name), f.Key(name))
	if err != nil {
		return nil, fmt.Errorf("read the certificate and key of %s in %s: %w", name, f, err)
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("read %s: it is %T, and keys made here are ECDSA", f.Key(name), pair.PrivateKey)
	}
	c, err := x509.ParseCertificate(pair.Certificate[0])
	return &Pair{c, key}, err
}
