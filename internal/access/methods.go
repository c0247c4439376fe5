package access

// Methods says which role each method needs, by its full name. It is the only place
// that says so: a method that has no line here is refused to everybody.
//
// Nobody means that the method answers without a credential: whether the hub serves
// is no secret to anyone who can reach its port, and whoever watches over machines
// should need no key for it.
var Methods = map[string]Role{
	"/grpc.health.v1.Health/Check": Nobody,
	// A watch holds a stream open, which is not for strangers.
	"/grpc.health.v1.Health/Watch": Observer,
	"/grpc.health.v1.Health/List":  Observer,

	"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo":      Observer,
	"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": Observer,

	"/evenbench.v1.RecordService/GetRecordInfo":  Observer,
	"/evenbench.v1.RecordService/Subscribe":      Observer,
	"/evenbench.v1.RecordService/GetSample":      Observer,
	"/evenbench.v1.RecordService/ListSamples":    Observer,
	"/evenbench.v1.RecordService/GetTrace":       Observer,
	"/evenbench.v1.RecordService/WatchRoasts":    Observer,
	"/evenbench.v1.RecordService/AuditRecord":    Observer,
	"/evenbench.v1.RecordService/ExplainFinding": Observer,

	"/evenbench.v1.BenchService/ListStations":   Observer,
	"/evenbench.v1.BenchService/RegisterSample": Operator,
	"/evenbench.v1.BenchService/QueueSample":    Operator,
	"/evenbench.v1.BenchService/UnqueueSample":  Operator,
	"/evenbench.v1.BenchService/PlaceSample":    Operator,
	"/evenbench.v1.BenchService/RemoveSample":   Operator,
	"/evenbench.v1.BenchService/SetMark":        Operator,
	"/evenbench.v1.BenchService/AssignReadings": Operator,
	"/evenbench.v1.BenchService/AddNote":        Operator,
	// What a sample is said to be goes to buyer and producer.
	"/evenbench.v1.BenchService/AmendSample": Steward,

	"/evenbench.v1.CalibrationService/TryCalibration":   Observer,
	"/evenbench.v1.CalibrationService/ListCalibrations": Observer,
	"/evenbench.v1.CalibrationService/ReadMean":         Observer,
	// The daily check is work at the bench; what corrects every reading is not.
	"/evenbench.v1.CalibrationService/CheckInstrument": Operator,
	"/evenbench.v1.CalibrationService/MakeCalibration": Steward,

	"/evenbench.v1.PanelService/ListSessions":  Observer,
	"/evenbench.v1.PanelService/GetSession":    Observer,
	"/evenbench.v1.PanelService/GetServing":    Observer,
	"/evenbench.v1.PanelService/GetResults":    Observer,
	"/evenbench.v1.PanelService/ListAssessors": Observer,
	// Assessors have GetServing and CastBallot of their own session by its link: see Seated.
	"/evenbench.v1.PanelService/CastBallot":       Operator,
	"/evenbench.v1.PanelService/PlanSession":      Operator,
	"/evenbench.v1.PanelService/OpenSession":      Operator,
	"/evenbench.v1.PanelService/CloseSession":     Operator,
	"/evenbench.v1.CompareService/Compare":        Observer,
	"/evenbench.v1.CompareService/Translate":      Observer,
	"/evenbench.v1.MatchingService/ListMatchings": Observer,
	"/evenbench.v1.MatchingService/GetMatching":   Observer,
	"/evenbench.v1.MatchingService/EndMatching":   Operator,
	"/evenbench.v1.MatchingService/PlanMatching":  Operator,

	"/evenbench.v1.DecisionService/ListDecisions": Observer,
	// What is decided goes to buyer and producer.
	"/evenbench.v1.DecisionService/Decide":        Steward,
	"/evenbench.v1.HandoverService/GetCheckpoint": Observer,
	"/evenbench.v1.HandoverService/ProveGrowth":   Observer,
	// What the lab signs, and whose signature it takes beside its own, is up to the lab.
	"/evenbench.v1.HandoverService/SignCheckpoint":   Operator,
	"/evenbench.v1.HandoverService/CosignCheckpoint": Operator,
	"/evenbench.v1.HandoverService/MakeBundle":       Operator,

	"/evenbench.v1.StatusService/GetStatus": Observer,

	"/evenbench.v1.InstrumentService/ListInstruments":  Observer,
	"/evenbench.v1.InstrumentService/WatchInstruments": Observer,
	// Taring a scale and typing what a display says is work at the bench.
	"/evenbench.v1.InstrumentService/ActOnInstrument": Operator,
	"/evenbench.v1.InstrumentService/AdoptInstrument": Steward,
	"/evenbench.v1.InstrumentService/ReloadLab":       Steward,
}
