package ledger_test

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"os"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"github.com/evenbench/evenbench/internal/access/keys"
	"github.com/evenbench/evenbench/internal/ledger"
)

// A hub is let in by its certificate alone, and needs no more rights than the README
// names.
func TestAHubNeedsNoMoreThanItsCertificate(t *testing.T) {
	folder := keys.Folder(t.TempDir())
	if _, _, err := folder.Make([]string{"127.0.0.1"}, []string{"bench"}, time.Now(), time.Now().AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	pair, err := tls.LoadX509KeyPair(folder.Certificate("hub"), folder.Key("hub"))
	if err != nil {
		t.Fatal(err)
	}
	ca, err := os.ReadFile(folder.Certificate("ca"))
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(ca)
	leaf, err := x509.ParseCertificate(readLeaf(t, folder, "bench"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true, MaxPayload: 8 << 20,
		TLS: true, TLSMap: true, TLSVerify: true, TLSTimeout: 30,
		TLSConfig: &tls.Config{Certificates: []tls.Certificate{pair}, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert},
		Users: []*server.User{{Username: leaf.Subject.String(), Permissions: &server.Permissions{
			Publish:   &server.SubjectPermission{Allow: []string{"lab-7.>", "lab-7-holder", "$JS.API.>"}},
			Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX.>"}},
		}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(time.Minute) {
		t.Fatal("the server did not start")
	}
	known := ledger.Cluster{
		Servers: []string{"tls://" + s.Addr().(*net.TCPAddr).String()}, Stream: "lab-7",
		Authority: folder.Certificate("ca"), Certificate: folder.Certificate("bench"), Key: folder.Key("bench"),
	}
	l := open(t, t.TempDir(), on(t), func(o *ledger.Options) { o.Cluster = &known })
	appendNotes(t, l, 100)
	if a, err := ledger.AuditCluster(t.Context(), known); err != nil || !a.GetUnbroken() || a.GetEntries() != 101 {
		t.Errorf("the audit says %v, %v", a, err)
	}
	stranger := known
	stranger.Certificate, stranger.Key = "", ""
	if _, err := ledger.AuditCluster(t.Context(), stranger); err == nil {
		t.Error("who shows no certificate is let in")
	}
	stranger = known
	stranger.Authority = "" // the machine's own do not know the servers'
	if _, err := ledger.AuditCluster(t.Context(), stranger); err == nil {
		t.Error("a server that no known authority signed is believed")
	}
}

func readLeaf(t *testing.T, folder keys.Folder, name string) []byte {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(folder.Certificate(name), folder.Key(name))
	if err != nil {
		t.Fatal(err)
	}
	return pair.Certificate[0]
}
