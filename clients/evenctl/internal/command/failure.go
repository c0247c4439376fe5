package command

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Exit codes. They are part of the interface: never change one.
const (
	exitOK          = 0
	exitFailure     = 1
	exitUsage       = 2
	exitUnreachable = 3
	exitRefused     = 4
	exitNotFound    = 5
	exitFault       = 6
	exitUnanswered  = 7
	exitInterrupted = 130 // as shells say it of SIGINT
)

func exitCodes() *cobra.Command {
	return &cobra.Command{
		Use:   "exit-codes",
		Short: "What the exit codes of evenctl mean",
		Long: `  0  done
  1  failed here: a file that cannot be written, for instance
  2  the command line was not understood; nothing was done
  3  the hub could not be reached; nothing was done
  4  the hub refused: the message says why and what to do
  5  not found: no such sample, station, instrument or roast
  6  the audit found a fault in the record; or a bundle does not hold, or a
     lab's record is not what a witness has seen
  7  no answer in time: a write may or may not be in the record;
     repeat it with the --request that the message gives
130  ended by Ctrl-C (follow ends with 0)

With --json an error is one JSON object on standard error: message, reason
(stable, for programs), code (gRPC's) and exit.`,
	}
}

// usageError is a command line that cannot be understood.
type usageError struct{ error }

func usage(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errFault says that an audit found the record unsound; what it found is printed
// already.
var errFault = errors.New("the record is not sound")

// report prints an error and returns the exit code for it.
func (p *program) report(ctx context.Context, err error) int {
	code := p.exit(ctx, err)
	switch {
	case err == nil, errors.Is(err, errFault), code == exitInterrupted:
	case p.json:
		p.reportJSON(err, code)
	default:
		fmt.Fprintf(p.Err, "evenctl: %s\n", p.message(err))
		if hint := p.hint(err, code); hint != "" {
			fmt.Fprintf(p.Err, "         %s\n", hint)
		}
	}
	return code
}

func (p *program) exit(ctx context.Context, err error) int {
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errFault), errors.As(err, &notHeld{}):
		return exitFault
	case !p.begun || errors.As(err, &usageError{}):
		return exitUsage
	case ctx.Err() != nil:
		return exitInterrupted
	case errors.Is(err, context.DeadlineExceeded):
		return exitUnanswered
	}
	code := status.Code(err)
	switch {
	case code == codes.NotFound:
		return exitNotFound
	case code == codes.DeadlineExceeded:
		return exitUnanswered
	case code == codes.Unavailable:
		return exitUnreachable
	case code == codes.Unknown || code == codes.Internal || code == codes.DataLoss:
		return exitFailure
	}
	return exitRefused
}

// reason returns why the hub refused; UNSPECIFIED if err is not its refusal.
func reason(err error) pb.ErrorReason {
	for _, d := range answer(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == "evenbench" {
			return pb.ErrorReason(pb.ErrorReason_value["ERROR_REASON_"+info.GetReason()])
		}
	}
	return pb.ErrorReason_ERROR_REASON_UNSPECIFIED
}

// openConcerns returns what the hub wants confirmed, by code.
func openConcerns(err error) []string {
	for _, d := range answer(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return slices.Sorted(maps.Keys(info.GetMetadata()))
		}
	}
	return nil
}

// answer returns the status that a call ended with, without what was wrapped
// around it; nil if err is not of a call.
func answer(err error) *status.Status {
	var s interface{ GRPCStatus() *status.Status }
	if errors.As(err, &s) {
		return s.GRPCStatus()
	}
	return nil
}

// message returns what an error says, in the hub's own words where it has some.
func (p *program) message(err error) string {
	s := answer(err)
	switch {
	case s == nil:
		return err.Error()
	case reason(err) == 0 && s.Code() == codes.Unavailable:
		why := s.Message()
		if _, dialing, ok := strings.Cut(why, "Error while dialing: "); ok {
			why = strings.TrimSuffix(dialing, `"`)
		}
		return fmt.Sprintf("reach the hub at %s: %s", p.hub, why)
	}
	return s.Message()
}

// hint says what to do, where a command of evenctl's helps.
func (p *program) hint(err error, code int) string {
	switch code {
	case exitUsage:
		return "see: evenctl --help"
	case exitUnreachable:
		switch why := err.Error(); {
		case strings.Contains(why, "handshake failed"):
			return "the hub did not prove that it is your lab's: check --ca, and that --hub is one of the names its certificate was made for"
		case strings.Contains(why, "server preface") && p.credentials.CA == "":
			return "a hub that asks for credentials speaks TLS: give --ca with --certificate and --key, or with --token-file"
		}
		return fmt.Sprintf("is the hub running at %s? start it with \"evenbench serve\", or give --hub or EVENBENCH_HUB", p.hub)
	case exitUnanswered:
		if p.request != "" {
			return fmt.Sprintf("it may or may not be in the record; the same command with --request %s makes sure, and writes it once at most", p.request)
		}
		return "wait longer with --timeout"
	}
	switch reason(err) {
	case pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN:
		return "codes are listed by: evenctl samples"
	case pb.ErrorReason_ERROR_REASON_STATION_UNKNOWN, pb.ErrorReason_ERROR_REASON_STATION_KIND, pb.ErrorReason_ERROR_REASON_NOT_QUEUED,
		pb.ErrorReason_ERROR_REASON_NOT_PLACED, pb.ErrorReason_ERROR_REASON_ALREADY_QUEUED:
		return "what lies and waits where is listed by: evenctl stations"
	case pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN, pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY:
		return "instruments are listed by: evenctl instruments"
	case pb.ErrorReason_ERROR_REASON_CONFIRMATION_NEEDED:
		return "if you know of it and mean it, name it: --confirm " + strings.Join(openConcerns(err), ",")
	case pb.ErrorReason_ERROR_REASON_CALLER_UNKNOWN:
		return "who you are is shown with --certificate and --key, or with --token-file; if you did, ask the lab's steward"
	case pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN:
		return "roasts are listed with their sample: evenctl sample CODE"
	case pb.ErrorReason_ERROR_REASON_RECORD_MISMATCH, pb.ErrorReason_ERROR_REASON_CURSOR_AHEAD:
		return "begin again with: evenctl follow --from start"
	case pb.ErrorReason_ERROR_REASON_LAB_FILE_INVALID:
		return "every fault of a lab file is listed by: evenbench check FILE"
	}
	return ""
}

func (p *program) reportJSON(err error, exit int) {
	text, _ := json.Marshal(struct {
		Message string `json:"message"`
		Reason  string `json:"reason,omitempty"`
		Code    string `json:"code"`
		Exit    int    `json:"exit"`
		Request string `json:"request,omitempty"`
	}{p.message(err), reasonName(err), status.Code(err).String(), exit, p.request})
	fmt.Fprintf(p.Err, "%s\n", text)
}

func reasonName(err error) string {
	if r := reason(err); r != 0 {
		return strings.TrimPrefix(r.String(), "ERROR_REASON_")
	}
	return ""
}
