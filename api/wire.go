package api

// State is everything there is to see now. The stream sends the same object. Temperatures are °C, powers watts, times
// seconds; a reading that is missing is null and its quality says why. Words are stable.
type State struct {
	Seq             uint64           `json:"seq" doc:"Ticks since the process began"`
	Version         string           `json:"version" doc:"Changes with what decisions rest on; goes into If-Match of a command"`
	Stamp           uint64           `json:"stamp_ms" doc:"Real time since the process began; goes into X-Trivet-Seen of a command"`
	BootID          string           `json:"boot_id" doc:"New at each start of the process"`
	At              float64          `json:"at_s" doc:"Since the process began, monotonic"`
	Time            string           `json:"time_utc" doc:"Time of day, a label only"`
	Simulated       bool             `json:"simulated"`
	Speed           float64          `json:"speed" doc:"Times real time; 1 on a real machine"`
	Machine         string           `json:"machine"`
	Board           string           `json:"board"`
	Sentence        string           `json:"sentence" doc:"The state in words, for people"`
	SentenceMeaning string           `json:"sentence_meaning" doc:"Changes only when the sentence means something new"`
	State           string           `json:"state" enum:"idle,running,holding,held,restarting,stopping,stopped,aborting,aborted,complete"`
	Phase           string           `json:"phase" enum:",proving_layers,proving_air,proving_sensors,commissioning,heating,waiting,lift_window,cooling,run_on,safe_to_touch"`
	Ended           *EndedState      `json:"ended" doc:"How the last run ended; null before the first and while one runs"`
	Run             *RunState        `json:"run" doc:"The present or the last run; null before the first"`
	Joint           *JointState      `json:"joint" doc:"The coldest joint; null when no joint sensor is fitted"`
	Sensors         []SensorState    `json:"sensors" nullable:"false"`
	Heaters         []HeaterState    `json:"heaters" nullable:"false"`
	Fan             float64          `json:"fan" doc:"Board fans, 0 to 1"`
	Permissives     []PermissiveNow  `json:"permissives" nullable:"false" doc:"Conditions for heat, those that do not hold first"`
	Alarms          []AlarmState     `json:"alarms" nullable:"false" doc:"In first-out order"`
	TripID          uint32           `json:"trip_id" doc:"The trip to reset; 0 when none is latched"`
	Notices         []NoticeState    `json:"notices" nullable:"false" doc:"What should be done soon and forbids nothing"`
	Lift            LiftState        `json:"lift"`
	Forecast        *ForecastState   `json:"forecast" doc:"What the rest of the run will come to; null while the law has no forecast"`
	Mains           MainsState       `json:"mains"`
	HeatEnabled     bool             `json:"heat_enabled"`
	Late            float64          `json:"late_ms" doc:"How late the last tick began"`
	Recording       bool             `json:"recording" doc:"False: the record is in memory only"`
	Controls        ControlsState    `json:"controls" doc:"Who may give the commands that move heat"`
	Allowed         []AllowedCommand `json:"allowed_commands" nullable:"false" doc:"What this viewer may do now"`
}

// AllowedCommand is a command by its stable word.
type AllowedCommand string

// EndedState says how a run ended.
type EndedState struct {
	State  string `json:"state"`
	Code   string `json:"code"`
	Reason string `json:"reason"`
	By     string `json:"by"`
}

// RunState is the present or the last run.
type RunState struct {
	ID           int64   `json:"id" doc:"0 until its record has begun"`
	Kind         string  `json:"kind" enum:"removal,placement,reball,dressing,preheat"`
	Profile      string  `json:"profile"`
	Board        string  `json:"board"`
	Part         string  `json:"part"`
	Serial       string  `json:"serial"`
	By           string  `json:"by"`
	Elapsed      float64 `json:"elapsed_s" doc:"Real time since the start"`
	ProfileTime  float64 `json:"profile_s" doc:"Profile time; stands still in waits and holds"`
	Total        float64 `json:"total_s" doc:"Profile time of the whole plan"`
	Segment      string  `json:"segment"`
	SegmentIndex int     `json:"segment_index"`
	SegmentLeft  float64 `json:"segment_left_s"`
	Waiting      bool    `json:"waiting"`
	Target       float64 `json:"target_c"`
	NoJoint      bool    `json:"no_joint" doc:"A repeat that no joint thermocouple watches"`
	BoundedPeak  bool    `json:"bounded_peak" doc:"With a lowered peak, because the joint is not known well"`
	Lessons      int     `json:"lessons" doc:"Earlier boards of the type that this run builds on"`
	Verdict      *string `json:"verdict" enum:"pass,fail" doc:"Null until the run has been judged"`
}

// JointState is the coldest joint.
type JointState struct {
	Sensor    string   `json:"sensor"`
	Label     string   `json:"label"`
	Temp      *float64 `json:"temp_c"`
	Quality   string   `json:"quality"`
	Estimated bool     `json:"estimated" doc:"Nothing measures the joint: the temperature is what the law takes it for"`
	Doubt     *float64 `json:"doubt_c" doc:"Half the width of the band that holds the true joint 95 % of the time; null where it is measured"`
}

// SensorState is one sensor.
type SensorState struct {
	Name    string   `json:"name"`
	Label   string   `json:"label"`
	Role    string   `json:"role" enum:"joint,package_top,board,nozzle,area,neighbour"`
	Chip    string   `json:"chip"`
	Temp    *float64 `json:"temp_c"`
	Quality string   `json:"quality"`
	Reason  string   `json:"reason" doc:"Why there is no number; empty when there is one"`
	Ceiling *float64 `json:"ceiling_c" doc:"In force now: the lower one of the station and the run"`
}

// HeaterState is one heater.
type HeaterState struct {
	Name    string   `json:"name"`
	Label   string   `json:"label"`
	Kind    string   `json:"kind" enum:"hot_air_top,hot_air_bottom,area"`
	Temp    *float64 `json:"temp_c"`
	Quality string   `json:"quality"`
	Set     *float64 `json:"set_c"`
	Ceiling *float64 `json:"ceiling_c"`
	Duty    float64  `json:"duty" doc:"Asked, 0 to 1"`
	On      bool     `json:"on"`
	Allowed bool     `json:"allowed" doc:"The guard would let it be on"`
	Power   float64  `json:"power_w"`
	Rated   float64  `json:"rated_w"`
	Air     string   `json:"air" enum:"none,off,starting,proven,lost" doc:"Of its head; none: it needs no air"`
}

// PermissiveNow is one condition for heat.
type PermissiveNow struct {
	Code  string `json:"code"`
	Title string `json:"title"`
	Holds bool   `json:"holds"`
	Text  string `json:"text"`
	Do    string `json:"do"`
}

// NoticeState is something that should be done soon and forbids nothing.
type NoticeState struct {
	Code string `json:"code"`
	Text string `json:"text"`
	Do   string `json:"do"`
}

// AlarmState is one raised alarm.
type AlarmState struct {
	Code     string   `json:"code"`
	Subject  int      `json:"subject" doc:"Which sensor, heater, blower or interlock; name it to acknowledge"`
	Title    string   `json:"title"`
	Do       string   `json:"do"`
	State    string   `json:"state" enum:"unacknowledged,acknowledged,latched_unacknowledged,latched_acknowledged,return_to_normal_unacknowledged"`
	At       float64  `json:"at_s"`
	Value    *float64 `json:"value_c" doc:"What the sensor read when it was raised"`
	Limit    *float64 `json:"limit_c"`
	TripID   uint32   `json:"trip_id" doc:"Not 0: a latched trip"`
	FirstOut bool     `json:"first_out" doc:"The trip that came first"`
	Present  bool     `json:"cause_present"`
	Because  string   `json:"because" doc:"Title of the raised alarm that this one follows from; empty: a cause of its own"`
	Flutters bool     `json:"flutters" doc:"It comes and goes; this is the one alarm for all of it"`
}

// LiftState is the lift window.
type LiftState struct {
	Waiting   bool     `json:"waiting"`
	Open      bool     `json:"open"`
	MoltenFor float64  `json:"molten_for_s"`
	Needed    float64  `json:"needed_s"`
	Left      *float64 `json:"left_s" doc:"Until it closes; null unless it is open"`
	Confirmed bool     `json:"confirmed"`
	Missed    bool     `json:"missed"`
}

// ForecastState is the forecast in short; its curve is at /api/v1/forecast. It is advice: no cut-off listens to it.
type ForecastState struct {
	Begin  float64 `json:"begin_s" doc:"Time since the start of the run at which it was made; changes when there is a new one"`
	Peak   Span    `json:"peak_c" doc:"Peak of the coldest joint"`
	Above  Span    `json:"time_above_liquidus_s" doc:"From then on"`
	Body   Span    `json:"package_top_c" doc:"Peak of the package top"`
	Go     bool    `json:"go" doc:"Nothing speaks against going on into reflow"`
	Held   bool    `json:"held" doc:"The run is held before reflow because of it"`
	Code   string  `json:"code" doc:"The strongest reason; empty when there is none"`
	Text   string  `json:"text"`
	Remedy string  `json:"remedy"`
}

// Span is a forecast number with its 95 % band.
type Span struct {
	Low  float64 `json:"low"`
	Mid  float64 `json:"mid"`
	High float64 `json:"high"`
}

// ForecastView is the forecast of the coldest joint, for drawing.
type ForecastView struct {
	Time []float64 `json:"time_s" nullable:"false" doc:"Since the start of the run"`
	Low  []float64 `json:"low_c" nullable:"false" doc:"95 % band"`
	Mid  []float64 `json:"mid_c" nullable:"false"`
	High []float64 `json:"high_c" nullable:"false"`
}

// MainsState is the power drawn by all heaters.
type MainsState struct {
	Power  float64 `json:"power_w"`
	Budget float64 `json:"budget_w"`
}

// EventState is one event as the stream sends it.
type EventState struct {
	At   float64 `json:"at_s" doc:"Since the run began, or since the process began outside a run"`
	Code string  `json:"code"`
	Text string  `json:"text"`
	By   string  `json:"by"`
}
