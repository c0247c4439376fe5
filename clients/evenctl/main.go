// Evenctl is the hub's command line: it follows the record, says what is on the
// bench, writes what people do there, audits and exports.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/evenbench/evenbench/clients/evenctl/internal/command"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := command.Run(ctx, os.Args[1:], command.Terminal())
	stop()
	os.Exit(code)
}
