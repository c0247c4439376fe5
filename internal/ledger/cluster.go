package ledger

import (
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

// Cluster is a JetStream that others keep: one NATS server, or several that copy each
// other.
type Cluster struct {
	// Servers are the URLs of some of its servers, nats://host:4222 or tls://host:4222.
	// The client learns of the others from them.
	Servers []string
	// Stream names the record there, where several labs may keep theirs; empty: "record".
	Stream string
	// Replicas of each entry: 1, 3 or 5; 0: 3 if as many servers are listed, else 1.
	Replicas int
	// Credentials is a NATS file of credentials (JWT and seed); empty: none.
	Credentials string
	// Authority is a file in PEM of who signs the servers' certificates; empty: the
	// machine's own authorities. Certificate and Key are files in PEM that this client
	// shows; empty: none.
	Authority, Certificate, Key string
}

const (
	// clusterTimeout is how long a cluster may take to connect or to answer about the
	// stream. The election of a new leader takes a few seconds; whoever asks asks again.
	clusterTimeout = 5 * time.Second
	// A server that is gone without a word is left after two pings.
	clusterPing       = 5 * time.Second
	clusterLostPings  = 2
	clusterReconnect  = 250 * time.Millisecond
	replicasOfSeveral = 3
)

func (c Cluster) withDefaults() *Cluster {
	if c.Stream == "" {
		c.Stream = defaultStream
	}
	if c.Replicas == 0 {
		c.Replicas = 1
		if len(c.Servers) >= replicasOfSeveral {
			c.Replicas = replicasOfSeveral
		}
	}
	return &c
}

// String says where the cluster is.
func (c *Cluster) String() string {
	return fmt.Sprintf("stream %q on %s", c.Stream, strings.Join(c.Servers, ", "))
}

// connect connects to any of the servers, and to another one when that is gone.
func (c *Cluster) connect(name string) (*nats.Conn, error) {
	options := []nats.Option{
		nats.Name(name), nats.Timeout(clusterTimeout), nats.MaxReconnects(-1), nats.ReconnectWait(clusterReconnect),
		nats.PingInterval(clusterPing), nats.MaxPingsOutstanding(clusterLostPings),
	}
	if c.Credentials != "" {
		options = append(options, nats.UserCredentials(c.Credentials))
	}
	if c.Authority != "" {
		options = append(options, nats.RootCAs(c.Authority))
	}
	if c.Certificate != "" {
		options = append(options, nats.ClientCert(c.Certificate, c.Key))
	}
	conn, err := nats.Connect(strings.Join(c.Servers, ","), options...)
	if err != nil {
		return nil, fmt.Errorf("connect to %v: %w", c, err)
	}
	return conn, nil
}
