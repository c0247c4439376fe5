package peers

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// opcuaFolder has the server's program, and package.json, which says what it needs:
// npm install --no-package-lock in that folder brings it.
const opcuaFolder = "internal/peers/testdata/opcua"

// OPCUAServer is an OPC UA server on loopback, of the packages of node-opcua.
type OPCUAServer struct {
	Port string

	t         testing.TB
	folder    string
	program   []string
	user      []string
	process   *exec.Cmd
	stdin     io.WriteCloser
	answers   *bufio.Reader
	complains bytes.Buffer
}

// NeedOPCUA ends the test if the server is not installed.
func NeedOPCUA(t *testing.T) {
	t.Helper()
	opcua(t)
}

// opcua returns Node and the folder of the server, or ends the test.
func opcua(t testing.TB) (node, folder string) {
	t.Helper()
	node, folder = Command(t, "node"), filepath.Join(root(t), opcuaFolder)
	File(t, filepath.Join(folder, "node_modules", "node-opcua-server"), "npm package node-opcua-server, by npm install --no-package-lock in "+opcuaFolder)
	return node, folder
}

// OPCUA starts a server that runs until the test ends, or ends the test if it is not
// installed. With a user and a password nobody else is let in.
func OPCUA(t testing.TB, user ...string) *OPCUAServer {
	t.Helper()
	node, folder := opcua(t)
	s := &OPCUAServer{
		Port: "0", t: t, folder: t.TempDir(), program: []string{node, filepath.Join(folder, "server.js")}, user: user,
	}
	s.Start()
	t.Cleanup(s.Stop)
	return s
}

// Endpoint is the server's address.
func (s *OPCUAServer) Endpoint() string { return "opc.tcp://127.0.0.1:" + s.Port }

// Start starts the server, after the first time where it was before.
func (s *OPCUAServer) Start() {
	s.t.Helper()
	s.process = exec.Command(s.program[0], append([]string{s.program[1], s.folder, s.Port}, s.user...)...)
	s.process.Stderr = &s.complains
	out, err := s.process.StdoutPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	if s.stdin, err = s.process.StdinPipe(); err != nil {
		s.t.Fatal(err)
	}
	if err := s.process.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.answers = bufio.NewReader(out)
	s.Port = s.answer()
}

// Stop kills the server; harmless if it does not run.
func (s *OPCUAServer) Stop() {
	if s.process != nil {
		_ = s.process.Process.Kill()
		_ = s.process.Wait()
		s.process = nil
	}
}

// Value is what a node of the server is set to.
type Value struct {
	Node   string `json:"node"`
	Value  any    `json:"value,omitempty"`
	Status string `json:"status,omitempty"`
	// Time is the source's timestamp, RFC 3339; empty: now.
	Time string `json:"time,omitempty"`
	// EveryMs has the server itself set it again and again, so many milliseconds apart.
	EveryMs int `json:"everyMs,omitempty"`
}

// Set sets a node, and returns when the server has it.
func (s *OPCUAServer) Set(v Value) {
	s.t.Helper()
	line, err := json.Marshal(v)
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.stdin.Write(append(line, '\n')); err != nil {
		s.t.Fatal(err)
	}
	if got := s.answer(); got != "set" {
		s.t.Fatalf("the OPC UA server answered %q to %s", got, line)
	}
}

func (s *OPCUAServer) answer() string {
	s.t.Helper()
	line, err := s.answers.ReadString('\n')
	if err != nil {
		s.Stop()
		s.t.Fatalf("the OPC UA server ended: %v\n%s", err, &s.complains)
	}
	return strings.TrimSpace(line)
}
