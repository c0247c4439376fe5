package opcua

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
)

const (
	// answerTimeout is how long the server may take to answer, or to take a
	// connection.
	answerTimeout = 10 * time.Second
	// mostMessage is how large a message of the server may be, in bytes, in how many
	// pieces. A reading is a thousandth of it.
	mostMessage = 4 << 20
	mostPieces  = 64
)

// server is the way to an OPC UA server.
type server struct {
	endpoint string
	user     string
	password link.Secret
}

// readServer reads a link section, and records what is wrong with it.
func readServer(n *document.Node) server {
	at := n.Require("opcua", "the server's address, such as opc.tcp://192.168.1.20:4840")
	s := server{endpoint: at.Text("")}
	u, err := url.Parse(s.endpoint)
	switch {
	case s.endpoint == "":
	case err != nil || u.Scheme != "opc.tcp" || u.Hostname() == "" || u.Port() == "":
		at.Problem("%q is no address of an OPC UA server: write opc.tcp://HOST:PORT, such as opc.tcp://192.168.1.20:4840", hide(s.endpoint))
	case u.User != nil:
		at.Problem("has a user or a password in it: write user and password_file (or password_env) beside it")
	}
	s.user, s.password = link.ReadSecret(n)
	return s
}

// hide takes out of an address what may be a password.
func hide(address string) string {
	scheme, rest, _ := strings.Cut(address, "://")
	if _, host, ok := strings.Cut(rest, "@"); ok {
		return scheme + "://…@" + host
	}
	return address
}

func (s server) String() string { return "opcua " + s.endpoint }

// loopback tells whether nobody else hears what is said.
func (s server) loopback() bool {
	u, err := url.Parse(s.endpoint)
	if err != nil {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}

// connect opens a session without security on the channel. States has how the
// connection is, and must be emptied.
func (s server) connect(ctx context.Context, states chan<- opcua.ConnState) (*opcua.Client, *ua.EndpointDescription, error) {
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	limits := []opcua.Option{opcua.AutoReconnect(false), opcua.RequestTimeout(answerTimeout), opcua.Dialer(dialer())}
	all, err := opcua.GetEndpoints(ctx, s.endpoint, limits...)
	if err != nil {
		return nil, nil, err
	}
	kind, options := ua.UserTokenTypeAnonymous, append(limits, opcua.StateChangedCh(states))
	if s.user != "" {
		secret, err := s.password.Value()
		if err != nil {
			return nil, nil, err
		}
		kind, options = ua.UserTokenTypeUserName, append(options, opcua.AuthUsername(s.user, string(secret)))
	}
	endpoint, err := choose(all, kind)
	if err != nil {
		return nil, nil, err
	}
	// Where the server says that it is may be a name that only it knows: the link
	// counts.
	client, err := opcua.NewClient(s.endpoint, append(options, opcua.SecurityFromEndpoint(endpoint, kind))...)
	if err != nil {
		return nil, nil, err
	}
	if err := client.Connect(ctx); err != nil {
		_ = client.Close(ctx) // what is half open
		return nil, nil, err
	}
	return client, endpoint, nil
}

// dialer is one of our own: the library's options for the same limits write to one
// that all its clients share.
func dialer() *uacp.Dialer {
	return &uacp.Dialer{
		Dialer: &net.Dialer{Timeout: answerTimeout},
		ClientACK: &uacp.Acknowledge{
			ReceiveBufSize: uacp.DefaultReceiveBufSize, SendBufSize: uacp.DefaultSendBufSize,
			MaxMessageSize: mostMessage, MaxChunkCount: mostPieces,
		},
	}
}

// choose finds the endpoint without security that lets in a user of a kind.
func choose(all []*ua.EndpointDescription, kind ua.UserTokenType) (*ua.EndpointDescription, error) {
	open := false
	for _, e := range all {
		if e == nil || e.SecurityMode != ua.MessageSecurityModeNone {
			continue
		}
		open = true
		for _, t := range e.UserIdentityTokens {
			if t != nil && t.TokenType == kind {
				return e, nil
			}
		}
	}
	switch {
	case !open:
		return nil, fmt.Errorf("none of the server's %d endpoints is without security, and this driver speaks no other: let the server offer the policy None on this network", len(all))
	case kind == ua.UserTokenTypeAnonymous:
		return nil, fmt.Errorf("the server lets in nobody without a name: add user and password_file to the link")
	}
	return nil, fmt.Errorf("the server takes no user with a password: leave user and password out of the link")
}
