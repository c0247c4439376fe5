package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
)

// dialTimeout is how long a connection to the broker may take to be made, with its
// TLS handshake.
const dialTimeout = 10 * time.Second

// broker is the way to an instrument: the broker, who the hub is there, and the
// topic under which the instrument publishes.
type broker struct {
	address, under string
	// client is the name of the connection; empty: a new one each time.
	client   string
	user     string
	password link.Secret

	tls                  bool
	ca, certificate, key string
	serverName           string
}

// readBroker reads a link section, and records what is wrong with it.
func readBroker(n *document.Node) broker {
	at := n.Require("mqtt", "the broker's host:port, such as 192.168.1.20:1883")
	under := n.Require("under", "the topic under which this device publishes, such as lab/air-1")
	b := broker{
		address:     at.Text(""),
		under:       readName(under),
		client:      n.Field("client").Text(""),
		tls:         n.Field("tls").Bool(false),
		ca:          link.Path(n.Field("ca")),
		certificate: link.Path(n.Field("certificate")),
		key:         link.Path(n.Field("key")),
		serverName:  n.Field("server_name").Text(""),
	}
	if host, port, err := net.SplitHostPort(b.address); b.address != "" && (err != nil || host == "" || port == "") {
		at.Problem("%q is no address: write host:port, such as 192.168.1.20:1883", b.address)
	}
	if under != nil && under.Kind() == document.Text && b.under == "" {
		under.Problem("is empty: write the topic under which this device publishes")
	}
	b.user, b.password = link.ReadSecret(n)
	b.checkTLS(n)
	return b
}

func (b broker) checkTLS(n *document.Node) {
	if (b.certificate == "") != (b.key == "") {
		n.Problem("certificate and key belong together: write both, or neither")
	}
	for _, key := range []string{"ca", "certificate", "key", "server_name"} {
		if f := n.Field(key); !b.tls {
			f.Problem("is for TLS: add tls: true, or leave it out")
		}
	}
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
