package hub

import (
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// errorDomain is the domain of every google.rpc.ErrorInfo of the hub.
const errorDomain = "evenbench"

// codeOf says with which code each reason goes.
var codeOf = map[pb.ErrorReason]codes.Code{
	pb.ErrorReason_ERROR_REASON_FIELD_INVALID:      codes.InvalidArgument,
	pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN:     codes.NotFound,
	pb.ErrorReason_ERROR_REASON_SAMPLE_EXISTS:      codes.AlreadyExists,
	pb.ErrorReason_ERROR_REASON_STATION_UNKNOWN:    codes.NotFound,
	pb.ErrorReason_ERROR_REASON_STATION_KIND:       codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN: codes.NotFound,
	pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN:      codes.NotFound,
	pb.ErrorReason_ERROR_REASON_MARK_ORDER:         codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED:  codes.AlreadyExists,
	pb.ErrorReason_ERROR_REASON_RECORD_MISMATCH:    codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_CURSOR_AHEAD:       codes.OutOfRange,
	pb.ErrorReason_ERROR_REASON_NOT_QUEUED:         codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_NOT_PLACED:         codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN:   codes.NotFound,
	pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY:    codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_ACTION_UNKNOWN:     codes.Unimplemented,
	pb.ErrorReason_ERROR_REASON_LAB_FILE_INVALID:   codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_STOPPING:           codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_ALREADY_QUEUED:     codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED: codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_RECORD_UNWRITABLE:  codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_OUTCOME_UNKNOWN:    codes.Aborted,
	pb.ErrorReason_ERROR_REASON_FINDING_UNKNOWN:    codes.NotFound,
	pb.ErrorReason_ERROR_REASON_CHECKPOINT_UNKNOWN: codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_NOT_WITNESSED:      codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_ROASTING:           codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_MATCHING_UNKNOWN:   codes.NotFound,
	pb.ErrorReason_ERROR_REASON_MATCHING_STATE:     codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_LOT_UNKNOWN:        codes.NotFound,
	pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE:     codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_TOO_MUCH:           codes.ResourceExhausted,
	pb.ErrorReason_ERROR_REASON_SESSION_UNKNOWN:    codes.NotFound,
	pb.ErrorReason_ERROR_REASON_SESSION_STATE:      codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_BALLOTS_MISSING:    codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_KEY_LOST:           codes.DataLoss,
}

// refuse returns an error of the services: what was attempted, with which value,
// and what to do.
func refuse(reason pb.ErrorReason, format string, args ...any) error {
	code, ok := codeOf[reason]
	if !ok {
		code = codes.Unknown
	}
	st, err := status.New(code, fmt.Sprintf(format, args...)).WithDetails(&errdetails.ErrorInfo{
		Domain: errorDomain,
		Reason: strings.TrimPrefix(reason.String(), "ERROR_REASON_"),
	})
	if err != nil {
		return status.Errorf(code, format, args...)
	}
	return st.Err()
}

// invalid refuses a field of a request.
func invalid(field, format string, args ...any) error {
	return refuse(pb.ErrorReason_ERROR_REASON_FIELD_INVALID, field+": "+format, args...)
}

// names lists what there is, for a person who typed what there is not.
func names(list []string) string {
	if len(list) == 0 {
		return "there are none"
	}
	return "there are " + strings.Join(list, ", ")
}
