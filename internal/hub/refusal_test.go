package hub

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// reasonOf returns the reason of a refusal, and its code.
func reasonOf(err error) (string, codes.Code) {
	st := status.Convert(err)
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason(), st.Code()
		}
	}
	return "", st.Code()
}
