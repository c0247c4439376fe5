package ledger_test

import (
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/ledger/nodes"
)

func TestMain(m *testing.M) {
	if runAsChild() || nodes.Run() {
		return
	}
	// The server now and then forgets the loop of a block that it begins while its store
	// is stopped.
	goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("github.com/nats-io/nats-server/v2/server.(*msgBlock).flushLoop"))
}
