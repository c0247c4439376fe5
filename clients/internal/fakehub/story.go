package fakehub

import (
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Morning is when the story begins, on the lab's clock.
var Morning = time.Date(2026, time.November, 25, 9, 14, 0, 0, time.UTC)

// At returns the time so many seconds into the story.
func At(seconds float64) *timestamppb.Timestamp {
	return timestamppb.New(Morning.Add(time.Duration(seconds * float64(time.Second))))
}

// Bench returns a hub with a morning's work in it: three samples, one of them
// roasted, one swapped and flagged, one just registered. Everything in it is
// invented.
func Bench() *Hub {
	stations := []*pb.Station{
		{Name: "reception", Kind: pb.StationKind_STATION_KIND_BENCH},
		{Name: "drum-1", Kind: pb.StationKind_STATION_KIND_DRUM},
		{Name: "drum-2", Kind: pb.StationKind_STATION_KIND_DRUM},
		{Name: "room", Kind: pb.StationKind_STATION_KIND_ROOM},
	}
	return &Hub{
		Info: &pb.GetRecordInfoResponse{
			RecordId: "rec-7d1f", HubVersion: "0.1.0", LabName: "Cerro Azul sample room", ClockRate: 1,
			LabTime: At(1500), Stations: stations,
		},
		Entries:  entries(stations),
		Records:  records(),
		Stations: stationStatus(stations),
		Traces:   map[string]*pb.GetTraceResponse{"R-1": trace()},
		Roasting: going(),
		Instruments: []*pb.InstrumentStatus{
			{
				Instrument: "drum-1-probes", Station: "drum-1", Driver: "modbus", Sheet: "three-probes",
				State: pb.InstrumentState_INSTRUMENT_STATE_MEASURING, Since: At(-600), Run: "run-a", LastNumber: 4200,
				LastReadingAt: At(1499.5),
				Latest: []*pb.LatestReading{
					{Channel: "bean", Value: 187.4, Unit: "Cel", Quality: pb.Quality_QUALITY_GOOD, At: At(1499.5)},
					{Channel: "drum_air", Value: 221.9, Unit: "Cel", Quality: pb.Quality_QUALITY_GOOD, At: At(1499.5)},
					{Channel: "inlet_air", Value: math.NaN(), Unit: "Cel", Quality: pb.Quality_QUALITY_BAD, At: At(1499.5),
						Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_SENSOR_BREAK}},
				},
			},
			{
				Instrument: "moisture-meter", Station: "reception", Driver: "ascii", Sheet: "ticket-moisture",
				State: pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED, Since: At(960), Gaps: 2, Restarts: 1,
				Detail:     "connect to 127.0.0.1:4102: connection refused; check the cable and the meter's power",
				Unreadable: 3, UnreadableSample: "??#1\x00 11.",
				Latest: []*pb.LatestReading{{Channel: "moisture", Value: 11.2, Unit: "%", Basis: "wet", Quality: pb.Quality_QUALITY_GOOD, At: At(110)}},
			},
			{
				Instrument: "reception-scale", Station: "reception", Driver: "ascii", Sheet: "bench-scale",
				State: pb.InstrumentState_INSTRUMENT_STATE_MEASURING, Since: At(-600), Run: "run-s", LastNumber: 900,
				Latest: []*pb.LatestReading{{Channel: "mass", Value: 0, Unit: "g", Quality: pb.Quality_QUALITY_GOOD, At: At(1496)}},
			},
			{
				Instrument: "scanner", Station: "reception", Driver: "ascii", Sheet: "label-scanner",
				State: pb.InstrumentState_INSTRUMENT_STATE_STARTING,
			},
		},
		Audit: &pb.AuditRecordResponse{
			Unbroken: true, Entries: 18342, Readings: 1203877, MissingExplained: 12, LastHash: []byte{0xa1, 0xb2, 0xc3, 0xd4},
			Runs: []*pb.RunAudit{
				{Instrument: "drum-1-probes", Run: "run-a", LastNumber: 1200012, Readings: 1200000, MissingExplained: 12, Open: true},
				{Instrument: "reception-scale", Run: "run-s", LastNumber: 3877, Readings: 3877},
			},
		},
		Status:   inNeed(),
		Reloaded: &pb.ReloadLabResponse{Started: []string{"colour-meter"}, Restarted: []string{"moisture-meter"}, Unchanged: 3},
	}
}

func stationStatus(stations []*pb.Station) []*pb.StationStatus {
	return []*pb.StationStatus{
		{Station: stations[0], Sample: "K-003", Since: At(1320)},
		{Station: stations[1], Sample: "K-002", Since: At(1080), Roast: "R-2", Queue: []string{"K-004", "K-005"}},
		{Station: stations[2]},
		{Station: stations[3]},
	}
}

// entries tells the morning; their cursors are their places.
func entries(stations []*pb.Station) []*pb.Entry {
	list := []*pb.Entry{
		hub(-601, &pb.Entry_RecordOpened{RecordOpened: &pb.RecordOpened{RecordId: "rec-7d1f", HubVersion: "0.1.0", ClockRate: 1}}),
		hub(-600, &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "Cerro Azul sample room", Stations: stations}}),
		hub(-599, &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "reception-scale", Run: "run-s", Station: "reception", Sheet: "bench-scale", DeviceIdentity: "SN 20417"}}),
		by("ana", 3, &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{Sample: "K-001", Identity: identity("LOT-17", "washed")}}),
		by("ana", 40, &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{Station: "reception", Sample: "K-001", At: At(40), By: pb.PlacementMeans_PLACEMENT_MEANS_SCAN, Instrument: "scanner"}}),
		driver(52, &pb.Entry_Readings{Readings: masses()}),
		hub(52, &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: "K-001", Measurement: receivedMass()}}),
		by("ana", 60, &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Station: "drum-1", Sample: "K-001", Position: 1}}),
		hub(300, &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{Roast: "R-1", Sample: "K-001", Station: "drum-1", Instrument: "drum-1-probes", Run: "run-a", FirstNumber: 1201, ChargedAt: At(300)}}),
		hub(300, &pb.Entry_MarkSet{MarkSet: mark(pb.MarkKind_MARK_KIND_CHARGE, 0, 198.2, "charge/1")}),
		hub(372, &pb.Entry_MarkSet{MarkSet: mark(pb.MarkKind_MARK_KIND_TURNING_POINT, 72, 86.0, "turning_point/1")}),
		driver(420, &pb.Entry_Readings{Readings: temperatures()}),
		hub(500, &pb.Entry_Gap{Gap: &pb.Gap{Instrument: "moisture-meter", Run: "run-m", FirstNumber: 12, Count: 3, From: At(480), To: At(500), Reason: pb.GapReason_GAP_REASON_DRIVER_LOST, Detail: "the driver ended with signal: killed"}}),
		by("ana", 815, &pb.Entry_MarkSet{MarkSet: mark(pb.MarkKind_MARK_KIND_FIRST_CRACK, 512.5, 196.3, "person")}),
		hub(888, &pb.Entry_MarkSet{MarkSet: mark(pb.MarkKind_MARK_KIND_DROP, 587, 203.1, "drop/1")}),
		hub(888, &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R-1", LastNumber: 2375}}),
		hub(960, &pb.Entry_InstrumentChanged{InstrumentChanged: &pb.InstrumentChanged{Instrument: "moisture-meter", State: pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED, Detail: "connect to 127.0.0.1:4102: connection refused; check the cable and the meter's power"}}),
		hub(1000, &pb.Entry_FindingMade{FindingMade: &pb.FindingMade{Sample: "K-001", Roast: "R-1", Name: "loss_in_mass", Value: 14.2, Unit: "%", StandardUncertainty: proto.Float64(0.06), Method: "loss_in_mass/1"}}),
		hub(1010, &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS, Station: "reception", Sample: "K-002", Text: "loss in mass of 31.0 % from 150.2 g to 103.6 g; weigh again, or look for a swapped sample"}}),
		by("ben", 1100, &pb.Entry_SampleAmended{SampleAmended: &pb.SampleAmended{Sample: "K-001", Reason: "label misread", Changes: []*pb.FieldChange{{Field: "lot", Old: "LOT-71", New: "LOT-17"}}}}),
		by("ben", 1200, &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{Instrument: "reception-scale", Run: "run-s", FirstNumber: 2, LastNumber: 2, Sample: "K-002", Reason: "scanned late"}}),
		by("ben", 1210, &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "K-001", Text: "quakers in the tray"}}),
		hub(1300, &pb.Entry_ClockStepped{ClockStepped: &pb.ClockStepped{Step: durationpb.New(-3 * time.Second)}}),
		hub(1310, &pb.Entry_VerdictGiven{VerdictGiven: &pb.VerdictGiven{Sample: "K-001", Roast: "R-1", Criteria: "house", AcceptedRisk: 0.05, Verdict: pb.Verdict_VERDICT_OUTSIDE, Windows: []*pb.WindowVerdict{
			held("total_time", 587, 0, 540, 690, "s", ""), held("loss_in_mass", loss, lossWithin, 15, 18, "%", "")}}}),
	}
	for i, e := range list {
		e.Cursor = uint64(i + 1)
	}
	return list
}

func identity(lot, process string) *pb.SampleIdentity {
	return &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_PRE_SHIPMENT, Lot: lot, Process: process, Origin: "Cerro Azul, north slope", IcoMark: "002-1961-0978", CoffeeYear: "2026/27"}
}
