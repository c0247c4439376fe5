package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
)

const (
	// dialTimeout is how long a connection to the broker may take to be made, with
	// its TLS handshake.
	dialTimeout = 10 * time.Second
	// longestSecret is how much of a password file is read, in bytes: a file that
	// is longer is another one.
	longestSecret = 4 << 10
)

// broker is the way to an instrument: the broker, who the hub is there, and the
// topic under which the instrument publishes.
type broker struct {
	address, under string
	// client is the name of the connection; empty: a new one each time.
	client string
	user   string
	// The password is in a file, or in a variable of the environment. Neither is
	// read before it is needed, so that a new one takes effect at the next
	// connection.
	passwordFile, passwordEnv string

	tls                  bool
	ca, certificate, key string
	serverName           string
}

// readBroker reads a link section, and records what is wrong with it.
func readBroker(n *document.Node) broker {
	at := n.Require("mqtt", "the broker's host:port, such as 192.168.1.20:1883")
	under := n.Require("under", "the topic under which this device publishes, such as lab/air-1")
	b := broker{
		address:      at.Text(""),
		under:        readName(under),
		client:       n.Field("client").Text(""),
		user:         n.Field("user").Text(""),
		passwordFile: path(n.Field("password_file")),
		passwordEnv:  variable(n.Field("password_env")),
		tls:          n.Field("tls").Bool(false),
		ca:           path(n.Field("ca")),
		certificate:  path(n.Field("certificate")),
		key:          path(n.Field("key")),
		serverName:   n.Field("server_name").Text(""),
	}
	if host, port, err := net.SplitHostPort(b.address); b.address != "" && (err != nil || host == "" || port == "") {
		at.Problem("%q is no address: write host:port, such as 192.168.1.20:1883", b.address)
	}
	if under != nil && under.Kind() == document.Text && b.under == "" {
		under.Problem("is empty: write the topic under which this device publishes")
	}
	b.checkSecrets(n)
	return b
}

func (b broker) checkSecrets(n *document.Node) {
	n.Field("password").Problem("a lab file is read by many: write the password into a file that only the hub may read, and its path here as password_file, or the name of a variable of the hub's environment as password_env")
	if b.passwordFile != "" && b.passwordEnv != "" {
		n.Field("password_env").Problem("there is a password_file as well: leave one of them out")
	}
	if b.user == "" && (b.passwordFile != "" || b.passwordEnv != "") {
		n.Problem("has a password, but no user: add user")
	}
	if (b.certificate == "") != (b.key == "") {
		n.Problem("certificate and key belong together: write both, or neither")
	}
	for _, key := range []string{"ca", "certificate", "key", "server_name"} {
		if f := n.Field(key); !b.tls {
			f.Problem("is for TLS: add tls: true, or leave it out")
		}
	}
}

// path reads the path of a file. The driver runs in a folder of its own, where a
// relative one would name something else.
func path(n *document.Node) string {
	p := n.Text("")
	if p != "" && !filepath.IsAbs(p) {
		n.Problem("%q is no full path: write it from the root on", p)
	}
	return p
}

// variable reads the name of a variable of the environment.
func variable(n *document.Node) string {
	v := n.Text("")
	letters := strings.Trim(v, "_ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
	if v != "" && (letters != "" || v[0] >= '0' && v[0] <= '9') {
		n.Problem("is no name of a variable: use letters, digits and '_' (the name, and not the password)")
	}
	return v
}

func (b broker) String() string {
	if b.tls {
		return "mqtt " + b.address + " with TLS"
	}
	return "mqtt " + b.address
}

// inTheClear tells whether the password goes over a network that others may hear.
func (b broker) inTheClear() bool {
	host, _, _ := net.SplitHostPort(b.address)
	ip := net.ParseIP(host)
	near := host == "localhost" || ip != nil && ip.IsLoopback()
	return b.user != "" && !b.tls && !near
}

// dial makes the connection to the broker.
func (b broker) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, dialTimeout)
	defer cancel()
	if !b.tls {
		return new(net.Dialer).DialContext(ctx, "tcp", b.address)
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: b.serverName}
	if b.ca != "" {
		pem, err := os.ReadFile(b.ca)
		if err != nil {
			return nil, fmt.Errorf("read the authority: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("read the authority: %s has no certificate in PEM", b.ca)
		}
	}
	if b.certificate != "" {
		pair, err := tls.LoadX509KeyPair(b.certificate, b.key)
		if err != nil {
			return nil, fmt.Errorf("read the certificate: %w", err)
		}
		config.Certificates = []tls.Certificate{pair}
	}
	return (&tls.Dialer{Config: config}).DialContext(ctx, "tcp", b.address)
}

// password reads the password; nil if there is none. Its errors do not say it.
func (b broker) password() ([]byte, error) {
	switch {
	case b.passwordEnv != "":
		secret := os.Getenv(b.passwordEnv)
		if secret == "" {
			return nil, fmt.Errorf("read the password: the hub's environment has no variable %s", b.passwordEnv)
		}
		return []byte(secret), nil
	case b.passwordFile != "":
		info, err := os.Stat(b.passwordFile)
		switch {
		case err != nil:
			return nil, fmt.Errorf("read the password: %w", err)
		case !info.Mode().IsRegular() || info.Size() > longestSecret:
			return nil, fmt.Errorf("read the password: %s is no plain file of at most %d bytes", b.passwordFile, longestSecret)
		}
		secret, err := os.ReadFile(b.passwordFile)
		if err != nil {
			return nil, fmt.Errorf("read the password: %w", err)
		}
		// An editor ends the last line.
		text := strings.TrimRight(string(secret), "\r\n")
		if text == "" {
			return nil, errors.New("read the password: " + b.passwordFile + " is empty")
		}
		return []byte(text), nil
	}
	return nil, nil
}
