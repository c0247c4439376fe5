package fakehub

import (
	"context"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Assurance is what the hub answers about calibrations and checks.
type Assurance struct {
	// Reads are the answers of ReadMean, each once and the last for ever.
	Reads []*pb.ReadMeanResponse
	// Tried is what would come of any calibration, Made and Checked what comes of writing.
	Tried   *pb.TryCalibrationResponse
	Made    *pb.MakeCalibrationResponse
	Checked *pb.CheckInstrumentResponse
	Listed  *pb.ListCalibrationsResponse
}

func (h *Hub) ReadMean(context.Context, *pb.ReadMeanRequest) (*pb.ReadMeanResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	r := h.Assured.Reads[0]
	if len(h.Assured.Reads) > 1 {
		h.Assured.Reads = h.Assured.Reads[1:]
	}
	return r, nil
}

func (h *Hub) TryCalibration(context.Context, *pb.TryCalibrationRequest) (*pb.TryCalibrationResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Assured.Tried, nil
}

func (h *Hub) ListCalibrations(context.Context, *pb.ListCalibrationsRequest) (*pb.ListCalibrationsResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Assured.Listed, nil
}

func (h *Hub) MakeCalibration(_ context.Context, req *pb.MakeCalibrationRequest) (*pb.MakeCalibrationResponse, error) {
	return once(h, req, func() (*pb.MakeCalibrationResponse, error) { return h.Assured.Made, nil })
}

func (h *Hub) CheckInstrument(_ context.Context, req *pb.CheckInstrumentRequest) (*pb.CheckInstrumentResponse, error) {
	return once(h, req, func() (*pb.CheckInstrumentResponse, error) { return h.Assured.Checked, nil })
}
