package main_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// keyed is a hub that asks for credentials, set up as its owner sets it up: by the
// commands, and the lines that they print.
type keyed struct {
	*bench
	keys  string // folder
	token string // of an observer, in a file
}

func serveKeyed(t *testing.T) *keyed {
	t.Helper()
	k := &keyed{keys: filepath.Join(t.TempDir(), "keys")}
	section := run(t, evenbench, "keys", "make", k.keys, "--host", "127.0.0.1", "--client", "owner=steward", "--client", "front-desk=operator").want(t, 0).out
	made := run(t, evenbench, "keys", "token", "board=observer").want(t, 0).out
	line, secret := regexp.MustCompile(`(?m)^    - .*\n`).FindString(made), strings.TrimSpace(made[strings.LastIndex(strings.TrimSpace(made), "\n"):])
	if len(secret) < 50 || strings.Contains(line, secret) {
		t.Fatalf("no token and its line in:\n%s", made)
	}
	k.token = filepath.Join(k.keys, "board.token")
	if err := os.WriteFile(k.token, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	k.bench = serve(t, onScale("reception-scale", "reception", scale(t))+section+line)
	return k
}

// as returns the credentials of a client with a certificate.
func (k *keyed) as(name string) follow.Credentials {
	return follow.Credentials{CA: k.file("ca.crt"), Certificate: k.file(name + ".crt"), Key: k.file(name + ".key")}
}

func (k *keyed) file(name string) string { return filepath.Join(k.keys, name) }

// dial connects with credentials.
func (k *keyed) dial(c follow.Credentials) *grpc.ClientConn {
	k.t.Helper()
	options, err := c.DialOptions()
	if err != nil {
		k.t.Fatal(err)
	}
	conn, err := follow.Dial(k.grpc, options...)
	if err != nil {
		k.t.Fatal(err)
	}
	k.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// ctl runs evenctl with credentials.
func (k *keyed) ctl(c follow.Credentials, args ...string) ended {
	k.t.Helper()
	for flag, value := range map[string]string{"--ca": c.CA, "--certificate": c.Certificate, "--key": c.Key, "--token-file": c.TokenFile} {
		if value != "" {
			args = append(args, flag, value)
		}
	}
	return run(k.t, evenctl, append(args, "--hub", k.grpc, "--person", "Ilka")...)
}

// The way of a lab's owner: keys are made by one command, their lines go into the lab
// file, and everybody may do what their role has.
func TestKeysToCalls(t *testing.T) {
	k := serveKeyed(t)
	board := follow.Credentials{CA: k.file("ca.crt"), TokenFile: k.token}
	k.ctl(k.as("front-desk"), "register", "K-1", "--kind", "offer", "--lot", "LOT-1").want(t, 0)
	k.ctl(k.as("front-desk"), "note", "--sample", "K-1", "smells of earth").want(t, 0)
	wants(t, k.ctl(board, "sample", "K-1").want(t, 0).out, "LOT-1", "smells of earth", "Ilka by front-desk")
	wants(t, k.ctl(board, "follow", "--from", "start", "--no-wait", "--kind", "sample_registered").want(t, 0).out, "(Ilka by front-desk)")
	wants(t, k.ctl(board, "register", "K-2", "--kind", "offer").want(t, 4).err, "takes the role operator", "board has observer")
	wants(t, k.ctl(k.as("front-desk"), "reload").want(t, 4).err, "takes the role steward")
	k.ctl(k.as("owner"), "reload").want(t, 0)

	// Those who are not known, each with something to do about it.
	wants(t, k.ctl(follow.Credentials{CA: k.file("ca.crt")}, "stations").want(t, 4).err, "does not know who is calling", "--certificate")
	wants(t, k.ctl(follow.Credentials{}, "stations").want(t, 3).err, "give --ca")
	wants(t, k.ctl(follow.Credentials{CA: k.file("owner.crt"), TokenFile: k.token}, "stations").want(t, 3).err, "check --ca")
	wants(t, k.ctl(follow.Credentials{TokenFile: k.token}, "stations").want(t, 2).err, "EVENBENCH_CA")
	wants(t, k.ctl(follow.Credentials{CA: k.file("ca.crt"), TokenFile: k.file("none")}, "stations").want(t, 2).err, k.file("none"))
	wants(t, k.log.await(t, "caller refused")["do"].(string), "evenbench keys")

	summary := run(t, evenbench, "check", k.labFile()).want(t, 0).out
	wants(t, summary, "the hub's certificate holds until", "owner is steward", "board is observer until")
}

// The commands overwrite nothing, and say what is wrong with their words.
func TestKeysRefuse(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "keys")
	run(t, evenbench, "keys", "make", folder, "--client", "owner=steward").want(t, 0)
	wants(t, run(t, evenbench, "keys", "make", folder).want(t, 1).err, "nothing is overwritten")
	wants(t, run(t, evenbench, "keys", "add", folder, "owner=observer").want(t, 1).err, "owner.crt", "nothing is overwritten")
	wants(t, run(t, evenbench, "keys", "add", folder, "board=watcher").want(t, 2).err, "observer, operator, steward")
	wants(t, run(t, evenbench, "keys", "add", folder, "hub=observer").want(t, 2).err, "cannot be called")
	wants(t, run(t, evenbench, "keys", "token", "board=observer", "--days", "0").want(t, 2).err, "--days")
	wants(t, run(t, evenbench, "keys", "renew", folder, "hub", "owner").want(t, 0).out, "hub.crt holds until", "owner.crt holds until")
	wants(t, run(t, evenbench, "keys", "renew", folder, "ca").want(t, 1).err, "new folder")
	wants(t, run(t, evenbench, "keys", "add", folder, "board=observer").want(t, 0).out, "{name: board, role: observer, certificate: board, key:")
}

// Beyond loopback without credentials the hub does not start, and names the place.
func TestServeRefusesTheNetworkWithoutAccess(t *testing.T) {
	dir := t.TempDir()
	text := strings.Replace(stations, "127.0.0.1:0", "0.0.0.0:7413", 1) + onScale("reception-scale", "reception", "127.0.0.1:9")
	if err := os.WriteFile(filepath.Join(dir, "lab.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"serve", "check"} {
		said := runIn(t.Context(), t, dir, evenbench, command, "lab.yaml").want(t, 3)
		wants(t, said.out+said.err, "lab.yaml:3:16: listen.grpc:", "evenbench keys make")
	}
}

// No token and no key is written where others read: the hub's log, the record and
// all that lies beside it, what anybody is told.
func TestSecretsStayOut(t *testing.T) {
	k := serveKeyed(t)
	text, err := os.ReadFile(k.token)
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(text))
	board := follow.Credentials{CA: k.file("ca.crt"), Token: token}
	wrong := follow.Credentials{CA: k.file("ca.crt"), Token: token + "X"}
	var said strings.Builder
	for _, c := range []follow.Credentials{board, wrong} {
		record := pb.NewRecordServiceClient(k.dial(c))
		_, err := record.GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{})
		fmt.Fprintln(&said, err)
		_, err = pb.NewBenchServiceClient(k.dial(c)).AddNote(t.Context(), &pb.AddNoteRequest{RequestId: "r", Person: "Ilka", Text: "x"})
		fmt.Fprintln(&said, err)
		for e, err := range follow.New(k.dial(c), follow.Options{StopAtEnd: true}).Entries(t.Context()) {
			fmt.Fprintln(&said, e, err)
		}
	}
	k.ctl(k.as("owner"), "reload").want(t, 0)
	k.ctl(k.as("owner"), "audit").want(t, 0)
	k.log.await(t, "caller refused")
	k.log.await(t, "role too low")
	if code := k.end(); code != 0 {
		t.Errorf("the hub ended with %d", code)
	}
	key, err := os.ReadFile(k.file("owner.key"))
	if err != nil {
		t.Fatal(err)
	}
	secrets := [][]byte{[]byte(token), bytes.Split(key, []byte("\n"))[1]}
	look := func(where string, text []byte) {
		for i, s := range secrets {
			if bytes.Contains(text, s) {
				t.Errorf("secret %d stands in %s", i, where)
			}
		}
	}
	look("the hub's log", []byte(k.log.String()))
	look("what callers were told", []byte(said.String()))
	files := 0
	if err := filepath.WalkDir(k.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		text, err := os.ReadFile(path)
		look(path, text)
		files++
		return err
	}); err != nil || files < 4 {
		t.Errorf("looked into %d files: %v", files, err)
	}
}

// A client that sends 100 MB is refused in words, over either way in, and the hub's
// memory does not grow by it.
func TestHugeMessageCostsNothing(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("reads a process's memory where Linux tells it")
	}
	k := serveKeyed(t)
	desk := pb.NewBenchServiceClient(k.dial(k.as("front-desk")))
	huge := &pb.AddNoteRequest{RequestId: "r", Person: "Ilka", Station: "reception", Text: strings.Repeat("x", 100_000_000)}
	small := &pb.AddNoteRequest{RequestId: "r", Person: "Ilka", Station: "reception", Text: "x"}
	if _, err := desk.AddNote(t.Context(), small); err != nil {
		t.Fatal(err)
	}
	before := k.peak()
	for range 3 {
		_, err := desk.AddNote(t.Context(), huge)
		if status.Code(err) != codes.ResourceExhausted || !strings.Contains(err.Error(), "larger than max") {
			t.Fatalf("100 MB: %v", err)
		}
	}
	response := k.post(k.as("front-desk"), "/v1/notes", fmt.Sprintf(`{"requestId": "r", "station": "reception", "text": %q}`, huge.GetText()))
	if wants(t, response, "429", "TOO_MUCH", "larger than max"); len(response) > 1000 {
		t.Errorf("100 MB over HTTP: %.200s", response)
	}
	// What a hub at work takes besides; a message held once would be six times it.
	const elsewhere = 16_000
	if after := k.peak(); after > before+elsewhere {
		t.Errorf("the hub's memory was at most %d kB and is %d kB", before, after)
	} else {
		t.Logf("the hub's memory was at most %d kB before, %d kB after three messages of 100 MB", before, after)
	}
	small.RequestId = "s"
	if _, err := desk.AddNote(t.Context(), small); err != nil {
		t.Errorf("the next call: %v", err)
	}
}

// post sends JSON over HTTP, and returns the status and the body.
func (k *keyed) post(c follow.Credentials, path, body string) string {
	k.t.Helper()
	pair, err := tls.LoadX509KeyPair(c.Certificate, c.Key)
	if err != nil {
		k.t.Fatal(err)
	}
	text, err := os.ReadFile(c.CA)
	if err != nil {
		k.t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	client := &http.Client{Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: roots, Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS13}, DisableKeepAlives: true,
	}}
	r, err := http.NewRequestWithContext(k.t.Context(), http.MethodPost, "https://"+k.http+path, strings.NewReader(body))
	if err != nil {
		k.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	response, err := client.Do(r)
	if err != nil {
		k.t.Fatal(err)
	}
	defer response.Body.Close()
	said, err := io.ReadAll(response.Body)
	if err != nil {
		k.t.Fatal(err)
	}
	return response.Status + " " + string(said)
}

// peak is the most memory that the hub has had, in kB.
func (k *keyed) peak() int {
	k.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", k.process.Process.Pid))
	if err != nil {
		k.t.Fatal(err)
	}
	n, err := strconv.Atoi(regexp.MustCompile(`VmHWM:\s*(\d+) kB`).FindStringSubmatch(string(text))[1])
	if err != nil {
		k.t.Fatal(err)
	}
	return n
}

// Clients that others made, over TLS: Python with a certificate and with a token, curl
// with both.
func TestPeersShowCredentials(t *testing.T) {
	k := serveKeyed(t)
	t.Setenv("EVENBENCH_CA", k.file("ca.crt"))
	t.Setenv("EVENBENCH_CERTIFICATE", k.file("front-desk.crt"))
	t.Setenv("EVENBENCH_KEY", k.file("front-desk.key"))
	wants(t, python(t, k.bench, "register.py", "--person", "noor", "--lot", "LOT-17", "--code", "K-017"), "K-017 is registered")
	t.Setenv("EVENBENCH_CERTIFICATE", "")
	t.Setenv("EVENBENCH_KEY", "")
	t.Setenv("EVENBENCH_TOKEN_FILE", k.token)
	python(t, k.bench, "follow.py", "--no-wait")

	curl := peers.Command(t, "curl")
	ask := func(args ...string) string {
		t.Helper()
		return output(t, exec.CommandContext(t.Context(), curl, append([]string{"--silent", "--show-error", "--cacert", k.file("ca.crt")}, args...)...))
	}
	text, err := os.ReadFile(k.token)
	if err != nil {
		t.Fatal(err)
	}
	header := filepath.Join(t.TempDir(), "header")
	if err := os.WriteFile(header, append([]byte("Authorization: Bearer "), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	at := "https://" + k.http
	wants(t, ask("--header", "@"+header, at+"/v1/samples/K-017"), "LOT-17")
	wants(t, ask("--cert", k.file("front-desk.crt"), "--key", k.file("front-desk.key"), at+"/v1/stations"), "reception")
	wants(t, ask("--write-out", "%{http_code}", at+"/v1/stations"), "CALLER_UNKNOWN", "401")
}
