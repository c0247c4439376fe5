package lab

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/ledger"
)

// readData reads where the hub keeps its data: a folder, or a section with the folder and
// with servers that keep the record, or a copy of it.
func (l *loader) readData(n *document.Node) {
	folder := n
	if n.Kind() == document.Map {
		folder = n.Field("folder")
		l.lab.Store = l.readCluster(n.Field("store"))
		l.lab.Centre = l.readCluster(n.Field("centre"))
		if s, c := l.lab.Store, l.lab.Centre; s != nil && c != nil && s.Stream == c.Stream && slices.ContainsFunc(s.Servers, func(u string) bool { return slices.Contains(c.Servers, u) }) {
			n.Field("centre").Problem("the store and its copy are one stream on one server: give the copy a stream: or servers: of its own")
		}
	}
	l.lab.Data = l.path(folder.Text(defaultData))
	if info, err := os.Stat(l.lab.Data); err == nil && !info.IsDir() {
		folder.Problem("%s is a file: name a folder, which need not be there yet", l.lab.Data)
	}
}

const (
	defaultStream = "record"
	mostReplicas  = 5
)

// readCluster reads where NATS servers are, and what to show them.
func (l *loader) readCluster(n *document.Node) *ledger.Cluster {
	if n == nil || !n.Expect(document.Map) {
		return nil
	}
	c := &ledger.Cluster{Stream: defaultStream}
	if s := n.Field("stream"); s != nil {
		c.Stream = s.Name()
		if strings.HasSuffix(c.Stream, "-holder") {
			s.Problem("%q ends like the stream that says who writes a record: choose another name", c.Stream)
		}
	}
	c.Credentials = l.readSecret(n.Field("credentials"), "credentials")
	c.Authority = l.readPublic(n.Field("authority"), "authority")
	certificate, key := n.Field("certificate"), n.Field("key")
	c.Certificate, c.Key = l.readPublic(certificate, "certificate"), l.readSecret(key, "key")
	if (certificate == nil) != (key == nil) {
		first(certificate, key).Problem("a certificate and its key belong together: write certificate: and key:, or neither")
	}
	servers := n.Require("servers", "where NATS servers with JetStream are, such as nats://127.0.0.1:4222")
	list := []*document.Node{servers}
	if servers.Kind() == document.List {
		list = servers.Items()
		if len(list) == 0 {
			servers.Problem("no server is listed: write at least one, such as nats://127.0.0.1:4222")
		}
	}
	for _, s := range list {
		l.readServer(s, c)
	}
	if r := n.Field("replicas"); r != nil {
		count := r.Number(1)
		c.Replicas = int(count)
		if float64(c.Replicas) != count || c.Replicas < 1 || c.Replicas > mostReplicas || c.Replicas%2 == 0 {
			r.Problem("%s replicas cannot be: write 1, 3 or 5, of which most must be there for the record to be written", r.Text(""))
			c.Replicas = 0
		}
	}
	return c
}

// readServer reads the URL of a server. Beyond loopback anybody on the way could read and
// write the record, so that it takes TLS, and something that says who the hub is.
func (l *loader) readServer(n *document.Node, c *ledger.Cluster) {
	if n.Kind() == document.Map {
		n.Problem("must be text: between brackets write a server in quotes, such as \"nats://127.0.0.1:4222\"")
		_ = n.Entries() // its keys are parts of the server
		return
	}
	text := n.Text("")
	if text == "" {
		return
	}
	u, err := url.Parse(text)
	host := ""
	if err == nil {
		host = u.Hostname()
	}
	switch {
	case err == nil && u.User != nil:
		// It is not repeated: there may be a password in it.
		n.Problem("a name or a password does not belong in this file: write the server alone, and credentials: and the file with them")
		return
	case err != nil || u.Scheme != "nats" && u.Scheme != "tls" || host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "":
		n.Problem("%q is no NATS server: write nats://host:port or tls://host:port, such as nats://127.0.0.1:4222", text)
		return
	case u.Port() != "" && !port(u.Port()):
		n.Problem("%q has no port from 1 to 65535", text)
		return
	case !loopback(host) && u.Scheme != "tls":
		n.Problem("%q is beyond loopback, and nothing on the way there is secret: write tls://%s, and set the server up for TLS", text, u.Host)
	case !loopback(host) && c.Credentials == "" && c.Certificate == "":
		n.Problem("%q is beyond loopback, and nothing says who this hub is: write credentials: and a NATS file of credentials, or certificate: and key:", text)
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(host, "4222")
	}
	server := u.Scheme + "://" + strings.ToLower(u.Host)
	if slices.Contains(c.Servers, server) {
		n.Problem("%q is listed twice", text)
		return
	}
	c.Servers = append(c.Servers, server)
}

func port(s string) bool {
	p, err := strconv.Atoi(s)
	return err == nil && p > 0 && p <= 65535
}

// readPublic reads the path of a file that is there.
func (l *loader) readPublic(n *document.Node, what string) string {
	if n.Text("") == "" {
		return ""
	}
	file := l.path(n.Text(""))
	if f, err := os.Open(file); err != nil {
		n.Problem("read %s %s: %v", what, file, reason(err))
	} else {
		f.Close()
	}
	return file
}

// readSecret is readPublic for a file that nobody else may read.
func (l *loader) readSecret(n *document.Node, what string) string {
	file := l.readPublic(n, what)
	// Elsewhere the mode says nothing of who may read.
	if info, err := os.Stat(file); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		n.Problem("others can read %s: chmod 600 it, and make a new one if somebody may have", file)
	}
	return file
}

// dataSummary says where the record lies, if not in the folder alone.
func (l *Lab) dataSummary() string {
	text := ""
	if l.Store != nil {
		text += fmt.Sprintf("  the record is kept in %v\n", l.Store)
	}
	if l.Centre != nil {
		text += fmt.Sprintf("  the record is copied to %v\n", l.Centre)
	}
	return text
}
