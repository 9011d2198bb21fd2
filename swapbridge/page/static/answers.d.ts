// Written by python -m tests.page.write_types from answers.py and requests.py; never edited by hand.

/** A line over time: None breaks it, `states` names numbers that are words. */
export interface StripLine {
  name: string;
  unit: string;
  step: boolean;
  states: Record<string, string>;
  times: number[];
  values: (number | null)[];
}

/** One identifier of a capture; `named` says which map has it. */
export interface IdentifierRow {
  text: string;
  bus: string;
  count: number;
  period_ms: number | null;
  live_bits: number;
  named: string;
}

/** A capture at a glance. */
export interface CaptureAnswer {
  notes: string[];
  identifiers: IdentifierRow[];
}

/** How much of a capture has been read, 0 to 1; None while it is not being read. */
export interface ReadingAnswer {
  share: number | null;
}

/** A stretch of which nothing was recorded, and why. */
export interface Gap {
  begin: number;
  end: number;
  words: string;
  bus: string;
}

/** Load of a bus in percent, second by second. */
export interface BusLoad {
  bus: string;
  times: number[];
  values: number[];
}

/** A channel of words: stretches from, to, and the word. */
export interface Blocks {
  name: string;
  blocks: ([number, number, string])[];
}

/** What lies over the whole recording; `start` is its first frame in seconds by the logger's clock. */
export interface AxisAnswer {
  start: number;
  span: number[];
  gaps: Gap[];
  loads: BusLoad[];
  channels: StripLine[];
  blocks: Blocks[];
  trouble: string;
}

/** How often an identifier's payload changes: a digit a column. */
export interface Lane {
  text: string;
  bus: string;
  cells: string;
}

/** All identifiers over a stretch. */
export interface LanesAnswer {
  span: number[];
  lanes: Lane[];
}

/** Bits over time: a digit a cell, column after column. */
export interface BitPicture {
  columns: number;
  bits: number;
  moves: string;
  ones: string;
}

/** One identifier over a stretch. */
export interface StripsAnswer {
  span: number[];
  source: string;
  fields: StripLine[];
  left_out: number;
  period: StripLine;
  picture: BitPicture;
}

/** One frame as it came. */
export interface RawFrame {
  number: number;
  of: number;
  time_s: number;
  data: string;
  bits: string;
  age_s: number;
}

/** The frame at a moment, or None before the first. */
export interface FrameAnswer {
  frame: RawFrame | null;
}

/** A field that the search found. */
export interface FieldRow {
  name: string;
  start: number;
  length: number;
  byte_order: "little_endian" | "big_endian";
  signed: boolean;
  kind: string;
  scale: number;
  offset: number;
  unit: string;
  stimulus: string | null;
  lag_s: number | null;
  confidence: number;
  layout_confidence: number;
  copy_of: string | null;
  mux: any;
  id: string;
  bus: string;
  label: string;
  sure: string;
  positions: number[];
  words: string;
  evidence: any;
  alternatives: any;
}

/** A field, and the maps that have it already. */
export interface ClaimRow {
  name: string;
  start: number;
  length: number;
  byte_order: "little_endian" | "big_endian";
  signed: boolean;
  kind: string;
  scale: number;
  offset: number;
  unit: string;
  stimulus: string | null;
  lag_s: number | null;
  confidence: number;
  layout_confidence: number;
  copy_of: string | null;
  mux: any;
  id: string;
  bus: string;
  label: string;
  sure: string;
  positions: number[];
  words: string;
  evidence: any;
  alternatives: any;
  in_maps: string[];
}

/** One identifier in words, and its fields. */
export interface IdentifierAnswer {
  words: string;
  fields: FieldRow[];
}

/** Counters and checksums of an identifier, in words. */
export interface ChecksAnswer {
  checks: string[];
}

/** A map in the folder: its version, and the step that undo would take back. */
export interface MapState {
  name: string;
  version: string;
  undo: string;
}

/** The folder's maps. */
export interface MapsAnswer {
  maps: MapState[];
}

/** What was found in a capture. */
export interface ClaimsAnswer {
  maps: MapState[];
  claims: ClaimRow[];
  advice: string[];
  guessed: boolean;
}

/** A stimulus channel beside a field. */
export interface ChannelLine {
  name: string;
  unit: string;
  times: number[];
  values: (number | null)[];
  dots: number[][];
  median_error: number;
}

/** A field over time. */
export interface FieldAnswer {
  times: number[];
  values: (number | null)[];
  step: boolean;
  frames: number;
  stimulus: ChannelLine | null;
  note: string;
}

/** A field is in a map. */
export interface AcceptAnswer {
  accepted: string;
  map: string;
  version: string;
  by_hand: boolean;
}

/** All that is sure enough is in a map. */
export interface AcceptAllAnswer {
  map: string;
  version: string;
  named: number;
  bare: number;
  confirmed: number;
  constants: number;
  left_out: number;
  conflicts: string[];
}

/** The compiler's message on a line. */
export interface CompilerMessage {
  level: string;
  line: number | null;
  column: number;
  words: string;
}

/** A signal that another is made from. */
export interface RowSource {
  name: string;
  sure: string;
}

/** A signal that is sent. */
export interface BridgeRow {
  message: string;
  every: string;
  signal: string;
  unit: string;
  kind: string;
  made_from: string;
  sources: RowSource[];
  doubt: string;
  note: string;
}

/** A gauge table. */
export interface TableCurve {
  name: string;
  x: string;
  y: string;
  points: number[][];
}

/** A signal that an expression can name. */
export interface Pickable {
  name: string;
  bus: string;
  unit: string;
  kind: string;
  sure: string;
}

/** A function of the language. */
export interface Usage {
  name: string;
  usage: string;
  words: string;
}

/** The compiler's messages on a bridge text. */
export interface CheckAnswer {
  faults: CompilerMessage[];
  rows: BridgeRow[];
  tables: TableCurve[];
  names: Pickable[];
  functions: Usage[];
}

/** The bridge file. */
export interface BridgeAnswer {
  faults: CompilerMessage[];
  rows: BridgeRow[];
  tables: TableCurve[];
  names: Pickable[];
  functions: Usage[];
  text: string;
  version: string;
  undo: string;
}

/** The bridge file is written. */
export interface SaveAnswer {
  saved: string;
  version: string;
}

/** A bridge text with one thing changed. */
export interface TextAnswer {
  text: string;
}

/** A signal's line of the bridge file, draft's comment on it, and whether it is open, waits for a review, or may be
    accepted together with others; `unseen` is draft's comment on it where it was. */
export interface DraftRow {
  name: string;
  message: string;
  signal: string;
  value: string;
  fallback: string;
  role: string;
  sentence: string;
  sure: number;
  open: boolean;
  waits: boolean;
  together: boolean;
  unseen: string;
}

/** Every line, the names that wait for a review (messages as a whole too), and why some of it can't be known; the
    last draft's outlook. */
export interface DraftAnswer {
  version: string;
  undo: string;
  waiting: string[];
  trouble: string;
  lines: DraftRow[];
  outlook: string[];
}

/** What was accepted together, and the view after it. */
export interface DraftTogetherAnswer {
  accepted: string[];
  view: DraftAnswer;
}

/** A drafted rule beside what was recorded, in the field's unit; no times where it was not drawn, no `made` where
    nobody knows how it is made. */
export interface DrawnAnswer {
  value: string;
  unit: string;
  held_out: boolean;
  times: number[];
  recorded: number[];
  made: number[] | null;
}

/** A step is taken back. */
export interface UndoAnswer {
  undone: string;
  version: string;
}

/** What changed of an identifier. */
export interface Change {
  words: string;
  sure: boolean;
}

/** An identifier that changed. */
export interface ChangedRow {
  id: string;
  bus: string;
  changes: Change[];
}

/** An identifier that appeared or vanished. */
export interface MissingRow {
  id: string;
  bus: string;
  frames: number;
  period_ms: number | null;
  length: number;
  sure: boolean;
  hints: string[];
}

/** Two captures compared. */
export interface CompareAnswer {
  appeared: MissingRow[];
  vanished: MissingRow[];
  changed: ChangedRow[];
  same: number;
  remarks: string[];
}

/** An identifier's bits in one capture: a character a bit, 0 and 1 where it stands still and ~ where it moves. */
export interface BitsSide {
  frames: number;
  states: string;
  span: number[];
  picture: BitPicture;
}

/** An identifier's bits in two captures; None where it is not there. */
export interface BitsAnswer {
  seconds: number;
  before: BitsSide | null;
  after: BitsSide | null;
}

/** The proof beside the plan. */
export interface Proof {
  proved: boolean;
  words: string;
  counts: Record<string, number>;
}

/** Whether the plan is proved now. */
export interface ProofAnswer {
  proof: Proof | null;
  report: boolean;
  report_version: string;
}

/** The captures that a proof would take. */
export interface LikelyAnswer {
  captures: Record<string, string>;
}

/** A signal that is sent, at each moment. */
export interface Dial {
  name: string;
  message: string;
  bus: string;
  unit: string;
  ticks: number[];
  numeric: boolean;
  values: (number | null)[];
  words: string[];
  sources: DialSource[];
}

/** A signal that a dial is made from. */
export interface DialSource {
  name: string;
  unit: string;
  values: (number | null)[];
  words: string[];
}

/** The result of driving the dials. */
export interface Dials {
  times: number[];
  dials: Dial[];
  left_out: number;
}

/** A link for one phone, and its QR code row by row. */
export interface PhoneAnswer {
  link: string;
  code: string[];
}

/** The needs list as its form; `found` is what a comparison found while there is no list.

    `trouble` says why the file can't be shown.
     */
export interface NeedsAnswer {
  version: string;
  undo: string;
  trouble: string;
  needs: NeedRow[];
  found: NeedRow[];
}

/** The health sheet as its form; `trouble` says why the file can't be shown. */
export interface HealthAnswer {
  version: string;
  undo: string;
  trouble: string;
  sheet: HealthRows;
}

/** What an engine's readings say, and each cylinder's leak in words, by its number. */
export interface EngineJudgement {
  which: string;
  grade: string;
  words: string[];
  leaks: Record<string, string>;
}

/** What a health sheet says, or the fault in it. */
export interface JudgementAnswer {
  fault: string;
  engines: EngineJudgement[];
}

/** Work that was begun. */
export interface JobKey {
  job: string;
}

export interface Answers {
  "/api/accept": AcceptAnswer;
  "/api/accept-all": AcceptAllAnswer;
  "/api/axis": AxisAnswer;
  "/api/bridge": BridgeAnswer;
  "/api/bridge/check": CheckAnswer;
  "/api/bridge/compile": JobKey;
  "/api/bridge/curve": TextAnswer;
  "/api/bridge/dials": JobKey;
  "/api/bridge/pick": TextAnswer;
  "/api/bridge/save": SaveAnswer;
  "/api/capture": CaptureAnswer;
  "/api/checks": ChecksAnswer;
  "/api/claims": ClaimsAnswer;
  "/api/compare": CompareAnswer;
  "/api/compare/bits": BitsAnswer;
  "/api/draft": DraftAnswer;
  "/api/draft/beside": JobKey;
  "/api/draft/drawn": DrawnAnswer;
  "/api/draft/make": JobKey;
  "/api/draft/decide": DraftAnswer;
  "/api/draft/take-back": DraftAnswer;
  "/api/draft/together": DraftTogetherAnswer;
  "/api/field": FieldAnswer;
  "/api/frame": FrameAnswer;
  "/api/guess": JobKey;
  "/api/health": HealthAnswer;
  "/api/health/check": JudgementAnswer;
  "/api/health/save": HealthAnswer;
  "/api/identifier": IdentifierAnswer;
  "/api/lanes": LanesAnswer;
  "/api/live/phone": PhoneAnswer;
  "/api/maps": MapsAnswer;
  "/api/needs": NeedsAnswer;
  "/api/needs/save": NeedsAnswer;
  "/api/proof": ProofAnswer;
  "/api/prove": JobKey;
  "/api/prove/likely": LikelyAnswer;
  "/api/reading": ReadingAnswer;
  "/api/strips": StripsAnswer;
  "/api/undo": UndoAnswer;
  "/api/live/next": any;
  "/api/live/press": any;
  "/api/live/record": any;
  "/api/live/run": any;
}

/** A request; one that says nothing more is empty. */
export type PageRequest = Record<string, never>;

/** The version of the file that the person looked at, without which nothing is written. */
export interface Versioned {
  version: string;
}

/** A file's last step is taken back. */
export interface Undo {
  version: string;
  file: string;
}

/** A bridge text to look at. */
export interface BridgeCheck {
  text: string;
}

/** A bridge text to write. */
export interface BridgeSave {
  version: string;
  text: string;
}

/** A gauge table's points, to be put into a bridge text. */
export interface BridgeCurve {
  text: string;
  table: string;
  points: number[][];
}

/** A signal of a bridge text, to be made from another. */
export interface BridgePick {
  text: string;
  message: string;
  signal: string;
  source: string;
}

/** Work over one capture. */
export interface OfCapture {
  file: string;
}

/** An answer to a drafted line; an edit has both its rule and its safe answer. */
export interface DraftDecision {
  version: string;
  name: string;
  decision: "accept" | "refuse" | "edit";
  value?: string | null;
  fallback?: string | null;
}

/** Every drafted line at least this sure that needs no separate look, to be accepted. */
export interface DraftTogether {
  version: string;
  confidence: number;
}

/** Lines that were accepted together, to be draft's again. */
export interface DraftTakeBack {
  version: string;
  names: string[];
}

/** A drafted line whose recordings are wanted. */
export interface DraftBeside {
  name: string;
}

/** What a person typed instead of what was found; numbers as text or as numbers. */
export interface Edit {
  start: string | number;
  length: string | number;
  byte_order: "little_endian" | "big_endian";
  signed: boolean;
  scale?: string | number;
  offset?: string | number;
  unit?: string;
}

/** A found field, to be taken into a map. */
export interface Accept {
  version: string;
  file: string;
  id: string;
  bus: string;
  field: string;
  name: string;
  map: string;
  edit?: Edit | null;
}

/** Every claim at least this sure, to be taken into a map. */
export interface AcceptAll {
  version: string;
  file: string;
  map: string;
  confidence: number;
  bus?: string;
}

/** A need as its form has it: texts as typed, and its position in the file when the form was loaded. */
export interface NeedRow {
  was: number | null;
  module: string;
  bus: string;
  id: string;
  period_ms: string;
  length: string;
  how: string;
  role: string;
  signal: string;
  note: string;
  codes: string;
  codes_found: string;
}

/** A cylinder's readings as typed, and the how-manieth of its engine in the file it was. */
export interface CylinderRow {
  was: number | null;
  number: string;
  supply: string;
  cylinder: string;
  compression: string;
  air_heard: string;
}

/** A look at the oil, and the how-manieth of its engine in the file it was. */
export interface OilRow {
  was: number | null;
  after: string;
  seen: string;
}

/** An engine's readings as typed. */
export interface EngineRow {
  which: "donor" | "host";
  unit: string;
  redline: string;
  idle: string;
  peak_torque: string;
  cylinders: CylinderRow[];
  oil: OilRow[];
}

/** The health sheet as typed: both engines, and what the host's gearbox bears. */
export interface HealthRows {
  engines: EngineRow[];
  most_torque: string;
  shifts_at: string;
}

/** A health sheet to judge. */
export interface HealthCheck {
  sheet: HealthRows;
}

/** A needs list to write. */
export interface NeedsSave {
  version: string;
  needs: NeedRow[];
}

/** A health sheet to write. */
export interface HealthSave {
  version: string;
  sheet: HealthRows;
}

/** A proof to run: a capture for each bus, and how thoroughly. */
export interface Prove {
  captures: Record<string, string>;
  thoroughness: string;
  model?: string;
}

/** A recording to begin. */
export interface BeginRecording {
  buses: string;
  name: string;
  script?: boolean;
  active?: boolean;
  scan_tool?: string | null;
}

/** A plan to run: to watch only, unless sending is asked for. */
export interface BeginRun {
  buses?: string;
  sending?: boolean;
  acknowledged?: boolean;
  unproved?: boolean;
  against?: string;
  against_bus?: string;
}

/** A key of the person at the page. */
export interface KeyPress {
  key: string;
  text?: string;
}

export interface Requests {
  "/api/accept": Accept;
  "/api/accept-all": AcceptAll;
  "/api/bridge/check": BridgeCheck;
  "/api/bridge/compile": Versioned;
  "/api/bridge/curve": BridgeCurve;
  "/api/bridge/dials": OfCapture;
  "/api/bridge/pick": BridgePick;
  "/api/bridge/save": BridgeSave;
  "/api/draft/beside": DraftBeside;
  "/api/draft/decide": DraftDecision;
  "/api/draft/make": Versioned;
  "/api/draft/take-back": DraftTakeBack;
  "/api/draft/together": DraftTogether;
  "/api/guess": OfCapture;
  "/api/health/check": HealthCheck;
  "/api/health/save": HealthSave;
  "/api/live/next": PageRequest;
  "/api/live/phone": PageRequest;
  "/api/live/press": KeyPress;
  "/api/live/record": BeginRecording;
  "/api/live/run": BeginRun;
  "/api/needs/save": NeedsSave;
  "/api/prove": Prove;
  "/api/undo": Undo;
}
