package peers

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// mosquitto is Debian's broker, in a folder that is not on everybody's PATH.
const mosquitto = "/usr/sbin/mosquitto"

// Broker is an MQTT broker on loopback, and whoever publishes to it.
type Broker struct {
	Address, Port string

	t        testing.TB
	settings string // file
	publish  []string
	process  *exec.Cmd
}

// NeedMosquitto ends the test if the broker is not installed.
func NeedMosquitto(t *testing.T) {
	t.Helper()
	Command(t, mosquitto)
}

// Mosquitto starts a broker that runs until the test ends, or ends the test if it is
// not installed. Settings are further lines of its file, {port} in them being the
// port; publish are further arguments of mosquitto_pub.
func Mosquitto(t testing.TB, settings string, publish ...string) *Broker {
	t.Helper()
	Command(t, mosquitto)
	Command(t, "mosquitto_pub")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &Broker{t: t, Address: l.Addr().String(), settings: filepath.Join(t.TempDir(), "mosquitto.conf")}
	l.Close() // the broker can only be told where to listen
	if _, b.Port, err = net.SplitHostPort(b.Address); err != nil {
		t.Fatal(err)
	}
	b.publish = append([]string{"-h", "127.0.0.1", "-p", b.Port, "-V", "5", "-q", "1"}, publish...)
	text := fmt.Sprintf("listener %s 127.0.0.1\nuser root\npersistence false\n%s\n", b.Port, settings)
	if err := os.WriteFile(b.settings, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b.Start()
	t.Cleanup(b.Stop)
	return b
}

// Start starts the broker, and waits until it takes connections.
func (b *Broker) Start() {
	b.t.Helper()
	b.process = exec.Command(mosquitto, "-c", b.settings)
	var complaints bytes.Buffer
	b.process.Stdout, b.process.Stderr = &complaints, &complaints
	if err := b.process.Start(); err != nil {
		b.t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		conn, err := net.Dial("tcp", b.Address)
		if err == nil {
			conn.Close()
			return
		}
		if time.Now().After(deadline) {
			b.Stop()
			b.t.Fatalf("the broker takes no connection: %v\n%s", err, &complaints)
		}
	}
}

// Stop kills the broker; harmless if it does not run.
func (b *Broker) Stop() {
	if b.process != nil {
		_ = b.process.Process.Kill()
		_ = b.process.Wait()
		b.process = nil
	}
}

// Publish publishes with mosquitto_pub, whose further arguments are given, such as
// "-t", topic, "-m", message.
func (b *Broker) Publish(arguments ...string) {
	b.t.Helper()
	said, err := exec.Command("mosquitto_pub", append(b.publish[:len(b.publish):len(b.publish)], arguments...)...).CombinedOutput()
	if err != nil {
		b.t.Fatalf("mosquitto_pub %q: %v\n%s", arguments, err, said)
	}
}

// Will connects a client that leaves message on topic, kept, as its last will, and
// returns what kills the client so that the broker says it.
func (b *Broker) Will(topic, message string) (kill func()) {
	b.t.Helper()
	Command(b.t, "mosquitto_sub")
	arguments := append(b.publish[:len(b.publish):len(b.publish)], "-t", "nothing", "--will-topic", topic, "--will-payload", message, "--will-retain")
	c := exec.Command("mosquitto_sub", arguments...)
	if err := c.Start(); err != nil {
		b.t.Fatal(err)
	}
	kill = func() {
		_ = c.Process.Kill()
		_ = c.Wait()
	}
	b.t.Cleanup(kill)
	return kill
}
