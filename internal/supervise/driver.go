package supervise

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"github.com/hashicorp/go-plugin/runner"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// A driver that has not shaken hands by then never will.
	startTimeout = 10 * time.Second
	// A driver answers Identify within a second (EB-D-10); a loaded machine may
	// need more. A call to a driver ends by then.
	answerTimeout = 5 * time.Second
	// Opening may read and check a large sheet.
	openTimeout = 10 * time.Second
	// After SIGTERM a driver has so long to close its device.
	termTimeout = 2 * time.Second
	// Windows of the connection, each way. They bound what a flooding driver can
	// put into the hub beyond what the record takes.
	window = 256 << 10
)

// driver is a driver process that was started or found, and answers.
type driver struct {
	pb.DriverServiceClient
	client *plugin.Client
	link   *link
	proc   *process
	// Nil if another hub started the process.
	child  *child
	nonce  string
	digest string
	who    *pb.IdentifyResponse
}

// link is the plugin that go-plugin dispenses: it keeps what has to be closed
// where the process is left alive.
type link struct {
	plugin.NetRPCUnsupportedPlugin
	broker *plugin.GRPCBroker
	conn   *grpc.ClientConn
}

func (*link) GRPCServer(*plugin.GRPCBroker, *grpc.Server) error {
	return errors.New("the hub serves no driver")
}

func (l *link) GRPCClient(_ context.Context, b *plugin.GRPCBroker, conn *grpc.ClientConn) (any, error) {
	l.broker, l.conn = b, conn
	return pb.NewDriverServiceClient(conn), nil
}

// config is what started and found drivers share.
func (l *link) config() *plugin.ClientConfig {
	return &plugin.ClientConfig{
		HandshakeConfig: plugin.HandshakeConfig{
			ProtocolVersion:  sdk.ProtocolVersion,
			MagicCookieKey:   sdk.CookieVariable,
			MagicCookieValue: sdk.CookieValue,
		},
		Plugins:          plugin.PluginSet{"driver": l},
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		StartTimeout:     startTimeout,
		SkipHostEnv:      true,
		Logger:           hclog.NewNullLogger(),
		GRPCDialOptions: []grpc.DialOption{
			grpc.WithStaticStreamWindowSize(window),
			grpc.WithStaticConnWindowSize(window),
			grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(sdk.MaxMessage)),
			grpc.WithStreamInterceptor(sideStreams),
			grpc.WithConnectParams(grpc.ConnectParams{
				Backoff:           backoff.DefaultConfig,
				MinConnectTimeout: answerTimeout,
			}),
		},
	}
}

// sideStreams refuses the stream of go-plugin's broker, which nobody uses, and
// lets no failure of its stdio stream through: go-plugin would forget the
// connection that it has opened.
func sideStreams(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, streamer grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	switch {
	case strings.HasPrefix(method, "/plugin.GRPCBroker/"):
		return nil, status.Error(codes.Unimplemented, "the hub does not use the broker")
	case strings.HasPrefix(method, "/plugin.GRPCStdio/"):
		s, err := streamer(ctx, desc, conn, method, opts...)
		if err != nil {
			return nil, status.Error(codes.Unavailable, err.Error())
		}
		return s, nil
	}
	return streamer(ctx, desc, conn, method, opts...)
}

// launch starts the driver process of spec and asks it who it is. When ctx ends
// first, the process is killed.
func launch(ctx context.Context, spec *Spec, p *place, known *digests) (*driver, error) {
	if err := p.clear(); err != nil {
		return nil, err
	}
	sum, err := known.of(spec.Argv[0])
	if err != nil {
		return nil, fmt.Errorf("start driver: %w", err)
	}
	if err := spec.checkPin(); err != nil {
		return nil, err
	}
	d := &driver{link: &link{}, nonce: rand.Text(), digest: sum}
	d.child = &child{log: p.log(), unwanted: ctx, settled: func() bool { return true }}
	c := d.link.config()
	c.UnixSocketConfig = &plugin.UnixSocketConfig{TempDir: p.sockets}
	c.RunnerFunc = func(_ hclog.Logger, cmd *exec.Cmd, _ string) (runner.Runner, error) {
		cmd.Path, cmd.Args, cmd.Dir = spec.Argv[0], spec.Argv, p.dir
		cmd.Env = append(cmd.Env, environment(p, d.nonce, spec.Link)...)
		d.child.cmd = cmd
		return d.child, nil
	}
	d.client = plugin.NewClient(c)
	defer func() { d.child.settled() }()
	if err := d.shakeHands(ctx, p); err != nil {
		return nil, err
	}
	d.proc = d.child.proc
	if err := d.connect(ctx); err != nil {
		d.end()
		return nil, err
	}
	return d, nil
}

// environment is all that a driver gets of the hub's. A secret may come that way:
// what a link calls something_env is the name of a variable that this driver, and
// no other, is given.
func environment(p *place, nonce string, link map[string]any) []string {
	env := []string{sdk.NonceVariable + "=" + nonce, "TMPDIR=" + p.dir, "HOME=" + p.dir}
	names := []string{"PATH", "LANG", "LC_ALL", "TZ"}
	for key, value := range link {
		if name, ok := value.(string); ok && strings.HasSuffix(key, "_env") {
			names = append(names, name)
		}
	}
	for _, name := range names {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// shakeHands starts the process and reads where it listens.
func (d *driver) shakeHands(ctx context.Context, p *place) error {
	_, err := d.client.Start()
	if err == nil {
		return nil
	}
	// It kills the process, if there is one, and waits for its end.
	d.client.Kill()
	switch c := d.child; {
	case ctx.Err() != nil:
		return ctx.Err()
	case c.proc == nil:
		return fmt.Errorf("start driver: %w", err)
	case strings.Contains(err.Error(), "timeout"):
		return fmt.Errorf("start driver: no handshake line on standard output within %v", startTimeout)
	case c.stdout.said() == "":
		return fmt.Errorf("start driver: it ended (%s) before it printed the handshake line%s", c.ending(), quoted("; stderr.log ends with ", p.lastWords()))
	case strings.HasPrefix(err.Error(), "Unrecognized"):
		return fmt.Errorf("start driver: it printed %q on standard output where the handshake line should be; a driver prints nothing before that line", c.stdout.said())
	}
	first, _, _ := strings.Cut(err.Error(), "\n")
	return fmt.Errorf("start driver: handshake line %q: %s", d.child.stdout.said(), first)
}

// connect makes the connection and checks who answers.
func (d *driver) connect(ctx context.Context) error {
	protocol, err := d.client.Client()
	if err != nil {
		return fmt.Errorf("connect to driver: %w", err)
	}
	raw, err := protocol.Dispense("driver")
	if err != nil {
		return fmt.Errorf("connect to driver: %w", err)
	}
	d.DriverServiceClient = raw.(pb.DriverServiceClient)
	return d.identify(ctx)
}

func (d *driver) identify(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	who, err := d.Identify(ctx, &pb.IdentifyRequest{})
	switch {
	case err != nil:
		return fmt.Errorf("identify driver: %w", err)
	case who.GetContract() != sdk.Contract:
		return &refusal{fmt.Sprintf("the driver speaks version %d of the contract; this hub speaks version %d", who.GetContract(), sdk.Contract)}
	case who.GetNonce() != d.nonce:
		return &refusal{fmt.Sprintf("the driver returned nonce %q; it must return the value of the environment variable %s", who.GetNonce(), sdk.NonceVariable)}
	}
	d.who = who
	return nil
}

// attach connects to the process of an earlier hub.
func attach(ctx context.Context, a *attachment) (*driver, error) {
	address, err := a.addr()
	if err != nil {
		return nil, err
	}
	proc, err := a.process()
	if err != nil {
		return nil, err
	}
	d := &driver{link: &link{}, proc: proc, nonce: a.Nonce, digest: a.Executable}
	go proc.watch(func() {})
	c := d.link.config()
	c.Reattach = &plugin.ReattachConfig{
		Protocol:        plugin.ProtocolGRPC,
		ProtocolVersion: sdk.ProtocolVersion,
		Addr:            address,
		Pid:             a.PID,
		ReattachFunc:    func() (runner.AttachedRunner, error) { return attached{proc: proc}, nil },
	}
	d.client = plugin.NewClient(c)
	if err := d.connect(ctx); err != nil {
		d.letGo()
		return nil, err
	}
	return d, nil
}

// address returns where the driver listens.
func (d *driver) address() net.Addr {
	if r := d.client.ReattachConfig(); r != nil {
		return r.Addr
	}
	return nil
}

// stop ends the process: SIGTERM, then SIGKILL, to it and its children. The
// connection goes first: the driver would wait for it to be done with.
func (d *driver) stop() {
	if d.link.conn != nil {
		_ = d.link.conn.Close()
	}
	d.proc.signal(syscall.SIGTERM)
	if !await(d.proc.exited, termTimeout) {
		d.proc.signal(syscall.SIGKILL)
		await(d.proc.exited, termTimeout)
	}
}

// end stops the process and closes the connection to it.
func (d *driver) end() {
	d.stop()
	d.close()
}

// ending says how the process ended, for a person.
func (d *driver) ending(p *place) string {
	if d.child == nil {
		return ""
	}
	return " (" + d.child.ending() + ")" + quoted("; stderr.log ends with ", p.lastWords())
}

// kill ends the process at once.
func (d *driver) kill() {
	d.proc.signal(syscall.SIGKILL)
	await(d.proc.exited, termTimeout)
	d.close()
}

// close closes what is left of the connection to a process that has ended.
func (d *driver) close() {
	select {
	case <-d.proc.exited:
		// It waits for go-plugin's goroutines, which end with the process.
		d.client.Kill()
	default:
		d.letGo()
	}
}

// letGo leaves the process alive and closes the connection to it.
func (d *driver) letGo() {
	if d.link.broker != nil {
		_ = d.link.broker.Close()
	}
	if d.link.conn != nil {
		_ = d.link.conn.Close()
	}
	d.proc.letGo()
	if d.child != nil {
		_ = d.child.stdout.Close()
	}
}

// refusal is an error that another start will not mend.
type refusal struct{ text string }

func (r *refusal) Error() string { return r.text }

func quoted(before, text string) string {
	if text == "" {
		return ""
	}
	return fmt.Sprintf("%s%q", before, text)
}

// await reports whether c was closed within d.
func await(c <-chan struct{}, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-c:
		return true
	case <-t.C:
		return false
	}
}
