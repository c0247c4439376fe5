package ledger_test

import (
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if runAsChild() {
		return
	}
	goleak.VerifyTestMain(m)
}
