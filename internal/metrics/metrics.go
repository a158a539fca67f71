// Package metrics wraps client_golang: one registry for each process, filled from what the roles
// know when Prometheus asks. No metric names a patient. While the view is being built, its
// figures are absent, never 0.
package metrics

import (
	"context"
	"log/slog"
	"maps"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"cannulary/internal/chain"
	"cannulary/internal/smart"
	"cannulary/internal/surveil"
	"cannulary/internal/track/rule"
	"cannulary/internal/view"
)

// Sources are the functions that the figures are read from. A nil one leaves its figures out.
type Sources struct {
	// Log returns the log's last sequence, its size and its limit in bytes.
	Log func(ctx context.Context) (LogState, error)
	// ProjectorFailed reports whether the view's projector stopped.
	ProjectorFailed func() bool
	// Surveillance returns the surveillance of every facility.
	Surveillance func(ctx context.Context) ([]*surveil.Watch, error)
	// Certificates returns when the watched certificates expire, by file name.
	Certificates func() map[string]time.Time
	// Refused tells of each kind of configuration file whether it was changed and cannot be used.
	Refused func() map[string]bool
	// Issuer reports whether the issuer of logins is silent.
	Issuer func() bool
	// BrokenGlass counts the uses of sealed codes that no lead has looked at, by facility.
	BrokenGlass func(ctx context.Context) (map[string]int, error)
	// TurnedAway returns how many requests were not let in, by reason.
	TurnedAway func() map[string]uint64
	// TokensRefused returns how many tokens did not count, by what they are for and why.
	TokensRefused func() map[smart.Refusal]uint64
	Now           func() time.Time
	// Projectors return the sequences of everything that follows the log in this process.
	Projectors map[string]func() uint64
	// Extracts returns the sequences of the views for readers of some facilities; nil without any.
	Extracts func() map[string]uint64
	Store    *view.Store
	// ViewAside reports whether a damaged view is kept.
	ViewAside func() bool
	// Complete reports whether the view has reached the log's end at start.
	Complete func() bool
	// LogWarnings counts the embedded server's own warnings, LogRecoveries its messages about a
	// disorderly end.
	LogWarnings, LogRecoveries func() int64
	// Checked returns the last sequence of the log that was read to see that it is there.
	Checked func() uint64
	// Trail returns how the audit trail is.
	Trail func() TrailState
	// Keys counts the secrets that cannot be read, and those that are damaged in one of two places.
	Keys func() (unreadable, halved int)
	Slog *slog.Logger
}

// LogState is the end and the size of the log.
type LogState struct {
	LastSeq  uint64
	Bytes    uint64
	MaxBytes int64
	Missing  uint64
}

// TrailState is how the audit trail is. Findings are what its chain shows and an untouched trail would not have; -1
// where this process does not follow it.
type TrailState struct {
	Bytes    uint64
	MaxBytes int64
	Kept     int               // entries on disk that its stream has not taken yet
	Entries  map[string]uint64 // by outcome
	Findings int
}

// Metrics is a process's registry.
type Metrics struct {
	reg      *prometheus.Registry
	messages *prometheus.CounterVec
	senders  *senders
}

// New returns a registry.
func New(src Sources) *Metrics {
	m := &Metrics{reg: prometheus.NewRegistry(), senders: newSenders(src.Now), messages: prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "cannulary_ingest_messages_total",
		Help: "Messages by service and outcome: accepted, duplicate, refused (for what they say), conflict (an id used with other " +
			"content), full (the log), unavailable (passing), failed (a fault of the program), cancelled (the sender hung up).",
	}, []string{"service", "outcome"})}
	for _, s := range []string{"roster", "cannulation", "assessment", "surveillance"} {
		for _, o := range []string{"accepted", "duplicate", "refused", "conflict", "full", "unavailable", "failed", "cancelled"} {
			m.messages.WithLabelValues(s, o)
		}
	}
	m.reg.MustRegister(m.messages, m.senders.refused, m.senders, &collector{src}, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Outcome counts one message.
func (m *Metrics) Outcome(service, outcome string) {
	m.messages.WithLabelValues(service, outcome).Inc()
}

// Handler serves /metrics.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{})
}

var (
	descLast     = prometheus.NewDesc("cannulary_log_last_sequence", "Last sequence of the log.", nil, nil)
	descWarnings = prometheus.NewDesc("cannulary_log_server_warnings_total",
		"Warnings and errors of the embedded log server itself.", nil, nil)
	descRecoveries = prometheus.NewDesc("cannulary_log_server_recoveries_total",
		"Lines of the embedded log server about recovering after it was not stopped in order; no damage.", nil, nil)
	descMissing = prometheus.NewDesc("cannulary_log_missing_events",
		"Entries that the log once held and does not give any more: damage.", nil, nil)
	descChecked = prometheus.NewDesc("cannulary_log_checked_sequence",
		"Last sequence that was asked for to see that it is there, of the pass under way or the last one.", nil, nil)
	descKeys = prometheus.NewDesc("cannulary_damaged_keys",
		"Secrets of the key store that are damaged: readable=\"no\" cannot be read, readable=\"yes\" are whole in one of two files.",
		[]string{"readable"}, nil)
	descChain = prometheus.NewDesc("cannulary_log_chain_findings",
		"What the chains of the log's writers show and a log that nobody touched would not have.", nil, nil)
	descAside = prometheus.NewDesc("cannulary_view_damaged",
		"1 while a damaged view is kept beside the one that was built in its place, or is being built, else 0.", nil, nil)
	descSequence = prometheus.NewDesc("cannulary_projector_sequence", "Last sequence that was projected.",
		[]string{"projector"}, nil)
	descLag = prometheus.NewDesc("cannulary_projector_lag_events", "Events in the log that are not projected yet.",
		[]string{"projector"}, nil)
	descQuarantined = prometheus.NewDesc("cannulary_quarantined_events",
		"Events set aside because they cannot be understood.", nil, nil)
	descLastEvent = prometheus.NewDesc("cannulary_facility_last_event_timestamp_seconds",
		"When the log took the facility's latest message, seconds since 1970.", []string{"facility"}, nil)
	descUnreached = prometheus.NewDesc("cannulary_amendments_without_effect",
		"Corrections and voids that change nothing as the record stands.", []string{"facility"}, nil)
	descOldestUnreached = prometheus.NewDesc("cannulary_oldest_amendment_without_effect_timestamp_seconds",
		"Since when the oldest of these has been in the log, seconds since 1970; absent without one.", []string{"facility"}, nil)
	descHolds = prometheus.NewDesc("cannulary_open_holds",
		"Open holds by rule, 0 where none is open; \"person\" was placed by a person.", []string{"facility", "rule"}, nil)
	descHoldSince = prometheus.NewDesc("cannulary_hold_since_timestamp_seconds",
		"Since when the open hold stands, seconds since 1970; absent once it is lifted.", []string{"facility", "rule", "hold"}, nil)
	descBytes    = prometheus.NewDesc("cannulary_log_bytes", "Bytes that the log takes.", nil, nil)
	descMaxBytes = prometheus.NewDesc("cannulary_log_max_bytes",
		"Most bytes that the log may take; beyond, messages are refused.", nil, nil)
	descFailed = prometheus.NewDesc("cannulary_projector_failed", "1 when the projector stopped because of an error, else 0.",
		[]string{"projector"}, nil)
	descRefused = prometheus.NewDesc("cannulary_configuration_refused",
		"1 while a changed file cannot be used and the one before stays in force: certificate or policy.", []string{"file"}, nil)
	descTurnedAway = prometheus.NewDesc("cannulary_access_refused_total",
		"Requests that were not let in: unauthenticated, denied, limited, or under a foreign host.", []string{"reason"}, nil)
	descTokens = prometheus.NewDesc("cannulary_tokens_refused_total",
		"Tokens of EHRs that did not count, by what they are for and why.", []string{"use", "reason"}, nil)
	descTrailBytes    = prometheus.NewDesc("cannulary_trail_bytes", "Bytes that the audit trail takes.", nil, nil)
	descTrailMaxBytes = prometheus.NewDesc("cannulary_trail_max_bytes",
		"Most bytes that the audit trail may take; near it an EHR is refused, beyond it entries are kept on disk.", nil, nil)
	descTrailKept = prometheus.NewDesc("cannulary_trail_kept_entries",
		"Entries of the audit trail that are kept on disk because its stream did not take them.", nil, nil)
	descTrailEntries = prometheus.NewDesc("cannulary_trail_entries_total",
		"Entries of the audit trail: stored, spooled (kept on disk first), withheld (the request was refused), lost (written nowhere).",
		[]string{"result"}, nil)
	descTrailChain = prometheus.NewDesc("cannulary_trail_chain_findings",
		"What the chain of the audit trail shows and a trail that nobody touched would not have.", nil, nil)
	descIssuer = prometheus.NewDesc("cannulary_login_issuer_unreachable",
		"1 while the issuer of logins did not answer the last time, else 0.", nil, nil)
	descGlass = prometheus.NewDesc("cannulary_break_glass_unreviewed",
		"Uses of sealed codes that no lead has looked at, 0 where all are.", []string{"facility"}, nil)
	descExpiry = prometheus.NewDesc("cannulary_certificate_expiry_timestamp_seconds",
		"When a watched certificate ends, seconds since 1970.", []string{"certificate"}, nil)
	descTracks = prometheus.NewDesc("cannulary_tracks", "Constant-site tracks by stage.", []string{"facility", "stage"}, nil)
)

// stages are exported also without any track, so that a fall to zero shows.
var stages = [...]string{"planned", "forming", "ready", "trial", "established", "resting", "retired"}

// holdRules returns the rules that open holds. They are exported also without an open hold. An
// absent figure would keep its last value, and the alert of a lifted hold would fire again.
func holdRules() []string {
	var out []string
	for _, r := range rule.All() {
		if r.Holds == rule.Track || r.Holds == rule.Access {
			out = append(out, r.Code)
		}
	}
	return out
}

// collector reads the figures when asked.
type collector struct{ src Sources }

func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range append(surveillanceDescs(), descLast, descBytes, descMaxBytes, descWarnings, descRecoveries, descMissing, descChecked,
		descChain, descKeys, descAside, descSequence, descLag, descFailed, descRefused, descTurnedAway, descTokens, descIssuer, descGlass,
		descExpiry, descQuarantined, descTrailBytes,
		descTrailMaxBytes, descTrailKept, descTrailEntries, descTrailChain,
		descLastEvent, descHolds, descHoldSince, descTracks, descUnreached, descOldestUnreached) {
		ch <- d
	}
}

// collectPeople tells of logins; the figures are 0 where nobody logs in.
func (c *collector) collectPeople(ctx context.Context, gauge func(*prometheus.Desc, float64, ...string)) {
	if c.src.Issuer == nil || c.src.Store == nil {
		return
	}
	gauge(descIssuer, btof(c.src.Issuer()))
	uses, err := c.src.BrokenGlass(ctx)
	if err != nil {
		c.src.Slog.Warn("metrics: the uses of sealed codes could not be read", "err", err)
		return
	}
	facilities, err := c.src.Store.Facilities(ctx)
	if err != nil {
		c.src.Slog.Warn("metrics: the facilities could not be read", "err", err)
	}
	all := map[string]int{}
	for _, f := range facilities {
		all[f.ID] = 0
	}
	maps.Copy(all, uses)
	for facility, n := range all {
		gauge(descGlass, float64(n), facility)
	}
}

// scrapeTimeout limits one reading of all figures.
const scrapeTimeout = 5 * time.Second

func (c *collector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTimeout)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	if c.src.LogWarnings != nil {
		ch <- prometheus.MustNewConstMetric(descWarnings, prometheus.CounterValue, float64(c.src.LogWarnings()))
	}
	if c.src.LogRecoveries != nil {
		ch <- prometheus.MustNewConstMetric(descRecoveries, prometheus.CounterValue, float64(c.src.LogRecoveries()))
	}
	if c.src.Checked != nil {
		gauge(descChecked, float64(c.src.Checked()))
	}
	if c.src.Keys != nil {
		unreadable, halved := c.src.Keys()
		gauge(descKeys, float64(unreadable), "no")
		gauge(descKeys, float64(halved), "yes")
	}
	// Read the sequences first: the log can only grow, so lag is never negative.
	seqs := map[string]uint64{}
	for name, f := range c.src.Projectors {
		seqs[name] = f()
	}
	if c.src.Extracts != nil {
		maps.Copy(seqs, c.src.Extracts())
	}
	for name, seq := range seqs {
		gauge(descSequence, float64(seq), name)
	}
	if st, err := c.src.Log(ctx); err == nil {
		gauge(descLast, float64(st.LastSeq))
		gauge(descBytes, float64(st.Bytes))
		gauge(descMaxBytes, float64(st.MaxBytes))
		gauge(descMissing, float64(st.Missing))
		for name, seq := range seqs {
			gauge(descLag, float64(st.LastSeq-min(st.LastSeq, seq)), name)
		}
	} else {
		c.src.Slog.Warn("metrics: the log did not give its state", "err", err)
	}
	if c.src.ProjectorFailed != nil {
		gauge(descFailed, btof(c.src.ProjectorFailed()), "view")
	}
	if c.src.Refused != nil {
		for file, yes := range c.src.Refused() {
			gauge(descRefused, btof(yes), file)
		}
	}
	c.collectPeople(ctx, gauge)
	if c.src.TurnedAway != nil {
		for reason, n := range c.src.TurnedAway() {
			ch <- prometheus.MustNewConstMetric(descTurnedAway, prometheus.CounterValue, float64(n), reason)
		}
	}
	if c.src.TokensRefused != nil {
		for which, n := range c.src.TokensRefused() {
			ch <- prometheus.MustNewConstMetric(descTokens, prometheus.CounterValue, float64(n), which.Use, which.Class)
		}
	}
	if c.src.Trail != nil {
		c.trail(ch, gauge)
	}
	if c.src.ViewAside != nil {
		gauge(descAside, btof(c.src.ViewAside()))
	}
	if c.src.Certificates != nil {
		for name, end := range c.src.Certificates() {
			gauge(descExpiry, float64(end.Unix()), name)
		}
	}
	if c.src.Store == nil || !c.src.Complete() {
		return
	}
	if err := c.view(ctx, gauge); err != nil {
		c.src.Slog.Warn("metrics: the view did not answer", "err", err)
	}
	if err := c.surveillance(ctx, gauge); err != nil {
		c.src.Slog.Warn("metrics: surveillance did not answer", "err", err)
	}
}

func (c *collector) trail(ch chan<- prometheus.Metric, gauge func(*prometheus.Desc, float64, ...string)) {
	t := c.src.Trail()
	gauge(descTrailBytes, float64(t.Bytes))
	gauge(descTrailMaxBytes, float64(t.MaxBytes))
	gauge(descTrailKept, float64(t.Kept))
	if t.Findings >= 0 {
		gauge(descTrailChain, float64(t.Findings))
	}
	for outcome, n := range t.Entries {
		ch <- prometheus.MustNewConstMetric(descTrailEntries, prometheus.CounterValue, float64(n), outcome)
	}
}

func btof(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (c *collector) view(ctx context.Context, gauge func(*prometheus.Desc, float64, ...string)) error {
	facilities, err := c.src.Store.Facilities(ctx)
	if err != nil {
		return err
	}
	quarantined, err := c.src.Store.Quarantined(ctx)
	if err != nil {
		return err
	}
	tracks, err := c.src.Store.Tracks(ctx)
	if err != nil {
		return err
	}
	holds, err := c.src.Store.Holds(ctx)
	if err != nil {
		return err
	}
	unreached, err := c.src.Store.UnreachedCounts(ctx)
	if err != nil {
		return err
	}
	findings, err := c.src.Store.Findings(ctx)
	if err != nil {
		return err
	}
	// Everything is read by now. If this figure is there and a hold is not, the hold was lifted.
	gauge(descQuarantined, float64(quarantined))
	gauge(descChain, float64(chain.Broken(findings)))
	for _, u := range unreached {
		gauge(descUnreached, float64(u.Count), u.Facility)
		if u.Count > 0 {
			gauge(descOldestUnreached, float64(u.Oldest.UnixMilli())/1000, u.Facility)
		}
	}
	byStage, byRule := map[[2]string]int{}, map[[2]string]int{}
	for _, f := range facilities {
		if f.Events > 0 {
			gauge(descLastEvent, float64(f.LastLogged.UnixMilli())/1000, f.ID)
		}
		for _, s := range stages {
			byStage[[2]string{f.ID, s}] = 0
		}
		for _, r := range holdRules() {
			byRule[[2]string{f.ID, r}] = 0
		}
	}
	for _, t := range tracks {
		byStage[[2]string{t.Facility, t.Stage}]++
	}
	for _, h := range holds {
		if h.Stands() {
			byRule[[2]string{h.Facility, h.Rule}]++
		}
		if h.Rings() {
			gauge(descHoldSince, float64(h.Since.UnixMilli())/1000, h.Facility, h.Rule, h.ID)
		}
	}
	for k, n := range byStage {
		gauge(descTracks, float64(n), k[0], k[1])
	}
	for k, n := range byRule {
		gauge(descHolds, float64(n), k[0], k[1])
	}
	return nil
}
