// Package nodes runs NATS servers that copy each other, each a process of its own on
// loopback, so that tests can kill them.
//
// A test binary that uses it calls Run first in its TestMain.
package nodes

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// variable holds the node that a process of the test binary is to be.
const variable = "EVENBENCH_TEST_NODE"

// node is one server.
type node struct {
	Name   string
	Client int // port
	Route  int // port; 0: it is alone
	Routes []string
	Dir    string

	process *exec.Cmd
	life    io.Closer // its standard input: closed, it ends
}

// Nodes are the servers of a test.
type Nodes struct {
	t    testing.TB
	list []*node
}

const loopback = "127.0.0.1"

// Run is the server, if this process is to be one: it returns true when it has ended.
func Run() bool {
	var n node
	text := os.Getenv(variable)
	if text == "" {
		return false
	}
	if err := json.Unmarshal([]byte(text), &n); err != nil {
		panic(err)
	}
	o := &server.Options{
		ServerName: n.Name, Host: loopback, Port: n.Client, NoSigs: true,
		JetStream: true, StoreDir: n.Dir, SyncAlways: true, MaxPayload: 8 << 20,
		LogFile: filepath.Join(n.Dir, "log"),
	}
	if n.Route > 0 {
		o.Cluster = server.ClusterOpts{Name: "lab", Host: loopback, Port: n.Route}
		for _, r := range n.Routes {
			u, err := url.Parse(r)
			if err != nil {
				panic(err)
			}
			o.Routes = append(o.Routes, u)
		}
	}
	s, err := server.NewServer(o)
	if err != nil {
		panic(err)
	}
	s.ConfigureLogger()
	s.Start()
	_, _ = io.Copy(io.Discard, os.Stdin) // until the test lets go of it
	s.Shutdown()
	s.WaitForShutdown()
	return true
}

// Start starts so many servers, which end with the test. They need some time to elect a
// leader.
func Start(t testing.TB, count int) *Nodes {
	t.Helper()
	ns := &Nodes{t: t}
	var routes []string
	for i := range count {
		n := &node{Name: fmt.Sprintf("node-%d", i+1), Client: freePort(t), Dir: t.TempDir()}
		if count > 1 {
			n.Route = freePort(t)
			routes = append(routes, fmt.Sprintf("nats://%s:%d", loopback, n.Route))
		}
		ns.list = append(ns.list, n)
	}
	t.Cleanup(ns.end)
	for i, n := range ns.list {
		n.Routes = routes
		ns.Restart(i)
	}
	return ns
}

// URLs returns where the servers take clients.
func (ns *Nodes) URLs() []string {
	var list []string
	for _, n := range ns.list {
		list = append(list, fmt.Sprintf("nats://%s:%d", loopback, n.Client))
	}
	return list
}

// Restart starts a server that does not run, with what it had stored.
func (ns *Nodes) Restart(i int) {
	ns.t.Helper()
	n := ns.list[i]
	self, err := os.Executable()
	if err != nil {
		ns.t.Fatal(err)
	}
	text, err := json.Marshal(n)
	if err != nil {
		ns.t.Fatal(err)
	}
	n.process = exec.Command(self)
	n.process.Env = append(os.Environ(), variable+"="+string(text))
	n.process.Stderr = os.Stderr
	if n.life, err = n.process.StdinPipe(); err != nil {
		ns.t.Fatal(err)
	}
	if err := n.process.Start(); err != nil {
		ns.t.Fatal(err)
	}
	// A server that listens can be asked.
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		conn, err := net.Dial("tcp", strings.TrimPrefix(ns.URLs()[i], "nats://"))
		if err == nil {
			conn.Close()
			return
		}
		if time.Now().After(end) {
			ns.t.Fatalf("%s did not start: %v", n.Name, err)
		}
	}
}

// Kill kills a server (SIGKILL).
func (ns *Nodes) Kill(i int) {
	ns.t.Helper()
	n := ns.list[i]
	if err := n.process.Process.Kill(); err != nil {
		ns.t.Fatal(err)
	}
	_ = n.process.Wait() // killed
	n.process = nil
}

// Index returns which server has a name.
func (ns *Nodes) Index(name string) int {
	for i, n := range ns.list {
		if n.Name == name {
			return i
		}
	}
	ns.t.Fatalf("there is no server %q", name)
	return -1
}

func (ns *Nodes) end() {
	for _, n := range ns.list {
		if n.process == nil {
			continue
		}
		_ = n.life.Close()
		_ = n.process.Wait()
		if ns.t.Failed() {
			if b, err := os.ReadFile(filepath.Join(n.Dir, "log")); err == nil {
				ns.t.Logf("%s:\n%s", n.Name, b[max(0, len(b)-4000):])
			}
		}
	}
}

// freePort returns a port that nobody listens on now.
func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", loopback+":0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}
