package access

import (
	"fmt"
	"net/http"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// refuse returns an error of the services, with its reason.
func refuse(code codes.Code, reason pb.ErrorReason, format string, args ...any) error {
	st, err := status.New(code, fmt.Sprintf(format, args...)).WithDetails(&errdetails.ErrorInfo{
		Domain: "evenbench",
		Reason: strings.TrimPrefix(reason.String(), "ERROR_REASON_"),
	})
	if err != nil {
		return status.Errorf(code, format, args...)
	}
	return st.Err()
}

// httpStatus of what the guard answers.
var httpStatus = map[codes.Code]int{
	codes.Unauthenticated:   http.StatusUnauthorized,
	codes.PermissionDenied:  http.StatusForbidden,
	codes.ResourceExhausted: http.StatusTooManyRequests,
}

// WriteError answers a request over HTTP with an error of the guard, in the form that
// every call over HTTP is refused in.
func WriteError(w http.ResponseWriter, err error) {
	st := status.Convert(err)
	code, ok := httpStatus[st.Code()]
	if !ok {
		code = http.StatusInternalServerError
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	body, _ := protojson.Marshal(st.Proto())
	_, _ = w.Write(append(body, '\n'))
}
