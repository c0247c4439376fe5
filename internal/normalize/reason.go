package normalize

import pb "github.com/evenbench/evenbench/proto/evenbench/v1"

// reasonSet is a set of quality reasons: bit r stands for pb.QualityReason(r).
type reasonSet uint32

const (
	sensorBreak        reasonSet = 1 << pb.QualityReason_QUALITY_REASON_SENSOR_BREAK
	outOfRange         reasonSet = 1 << pb.QualityReason_QUALITY_REASON_OUT_OF_RANGE
	unsettled          reasonSet = 1 << pb.QualityReason_QUALITY_REASON_UNSETTLED
	stale              reasonSet = 1 << pb.QualityReason_QUALITY_REASON_STALE
	calibrationExpired reasonSet = 1 << pb.QualityReason_QUALITY_REASON_CALIBRATION_EXPIRED
	clockStep          reasonSet = 1 << pb.QualityReason_QUALITY_REASON_CLOCK_STEP
	implausibleRate    reasonSet = 1 << pb.QualityReason_QUALITY_REASON_IMPLAUSIBLE_RATE
	unreadable         reasonSet = 1 << pb.QualityReason_QUALITY_REASON_UNREADABLE
	unitMismatch       reasonSet = 1 << pb.QualityReason_QUALITY_REASON_UNIT_MISMATCH
	deviceStatus       reasonSet = 1 << pb.QualityReason_QUALITY_REASON_DEVICE_STATUS
	wrongDevice        reasonSet = 1 << pb.QualityReason_QUALITY_REASON_WRONG_DEVICE
	unidentified       reasonSet = 1 << pb.QualityReason_QUALITY_REASON_UNIDENTIFIED
	coldJunction       reasonSet = 1 << pb.QualityReason_QUALITY_REASON_COLD_JUNCTION
	checkFailed        reasonSet = 1 << pb.QualityReason_QUALITY_REASON_CHECK_FAILED
	beyondCalibration  reasonSet = 1 << pb.QualityReason_QUALITY_REASON_BEYOND_CALIBRATION
	calibrationForeign reasonSet = 1 << pb.QualityReason_QUALITY_REASON_CALIBRATION_FOREIGN

	// bad are the reasons for which a reading is no measurement of the sample;
	// the others leave it uncertain.
	bad = sensorBreak | outOfRange | unreadable | unitMismatch | wrongDevice | coldJunction
)

func (s reasonSet) quality() pb.Quality {
	switch {
	case s == 0:
		return pb.Quality_QUALITY_GOOD
	case s&bad != 0:
		return pb.Quality_QUALITY_BAD
	default:
		return pb.Quality_QUALITY_UNCERTAIN
	}
}

// list returns the reasons in the order of their numbers.
func (s reasonSet) list() []pb.QualityReason {
	var out []pb.QualityReason
	for r := pb.QualityReason(1); s>>r != 0; r++ {
		if s&(1<<r) != 0 {
			out = append(out, r)
		}
	}
	return out
}
