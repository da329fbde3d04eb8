//! How a running bucket fares, for a collector of metrics: the OpenMetrics text format, version 1.0.
//!
//! Labels hold fixed words only, so nothing in them needs escaping and no name of a person gets out.

use crate::device::ClockStand;
use crate::record::latency::{EDGES_US, Latency};
use crate::review::live::{LinkStatus, LiveStatus, NodeStatus, RecorderStatus};
use axum::Router;
use axum::http::header;
use axum::routing::get;
use std::fmt::{Display, Write};
use std::sync::Arc;
use tokio::sync::watch;

/// Content type of the format.
pub const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// `GET /metrics`.
pub fn router(status: watch::Receiver<Arc<LiveStatus>>) -> Router {
    let answer = move || {
        let text = exposition(&status.borrow());
        async move { ([(header::CONTENT_TYPE, CONTENT_TYPE)], text) }
    };
    Router::new().route("/metrics", get(answer))
}

/// All metrics as text.
#[must_use]
pub fn exposition(status: &LiveStatus) -> String {
    let mut out = Exposition::default();
    out.samples(status);
    out.link(status);
    out.clocks(status);
    out.batteries(status);
    out.counter("swings", "Swings found.", one(status.swings));
    let cues = status.cues.iter().map(|(cue, count)| (format!("cue=\"{cue}\""), *count)).collect();
    out.counter("cues", "Cues that were let sound.", cues);
    out.recorder(&status.recorder);
    out.text + "# EOF\n"
}

impl Exposition {
    fn samples(&mut self, status: &LiveStatus) {
        let nodes = |value: fn(&NodeStatus) -> u64| by_node(status, move |node| Some(value(node)));
        let on_disk = nodes(|node| node.on_disk);
        self.counter("samples", "Samples that came, doubles included.", nodes(|node| node.received));
        self.counter("samples_on_disk", "Samples that are on the disk for certain.", on_disk);
        self.counter("samples_duplicate", "Samples that came twice.", nodes(|node| node.duplicates));
        let requeued = nodes(|node| node.requeued);
        self.counter("samples_requeued", "Samples that came late and were put back in order.", requeued);
        // A gauge: late samples take away from it.
        self.gauge("samples_missing", "", "Samples that are missing now.", nodes(|node| node.missing));
    }

    fn link(&mut self, status: &LiveStatus) {
        self.counter("frames_damaged", "Frames that were damaged on their way.", one(status.damaged));
        let up = u8::from(status.link == LinkStatus::Sending);
        self.gauge("link_up", "", "1 while samples come.", one(up));
    }

    fn clocks(&mut self, status: &LiveStatus) {
        if let Some(clocks) = status.clocks {
            let offset_s = one(clocks.offset_s);
            self.gauge("clock_offset", "seconds", "Forearm node's clock less hand node's.", offset_s);
            self.gauge("clock_skew", "ratio", "How fast that offset grows.", one(clocks.skew));
        }
        let clock = |value: fn(ClockStand) -> f64| by_node(status, move |node| node.clock.map(value));
        let about_offset = "This machine's clock less the node's, least delay included.";
        self.gauge("node_clock_offset", "seconds", about_offset, clock(|clock| clock.offset_s.value));
        let skew = clock(|clock| clock.skew.value);
        self.gauge("node_clock_skew", "ratio", "How much faster the node's clock runs.", skew);
        let sd = clock(|clock| clock.skew.sd);
        self.gauge("node_clock_skew_sd", "ratio", "Standard deviation of that.", sd);
        let about_latency = "How much later than the quickest samples come, on average.";
        self.gauge("node_latency", "seconds", about_latency, clock(|clock| clock.latency_s));
    }

    fn batteries(&mut self, status: &LiveStatus) {
        let volts = by_node(status, |node| node.battery.map(|battery| battery.volts));
        self.gauge("battery", "volts", "Battery voltage as last told.", volts);
        let charge = by_node(status, |node| Some(f64::from(node.battery?.percent?) / 100.0));
        self.gauge("battery_charge", "ratio", "Battery charge as last told.", charge);
    }

    fn recorder(&mut self, recorder: &RecorderStatus) {
        self.gauge("recorder_running", "", "1 while it records.", one(u8::from(recorder.running)));
        self.gauge("recorder_queue_items", "", "Things that wait for the disk.", one(recorder.waiting));
        self.counter("recorder_refused", "Things that found no room.", one(recorder.refused));
        let lag_s = recorder.lag_us as f64 / 1e6;
        let about_lag = "How long the oldest thing has waited for the disk.";
        self.gauge("recorder_lag", "seconds", about_lag, one(lag_s));
        let about_latency = "From the reception of a piece to the disk itself.";
        self.latency("recorder_latency", about_latency, &recorder.latency);
    }
}

fn one<T>(value: T) -> Vec<(String, T)> {
    vec![(String::new(), value)]
}

fn by_node<T>(status: &LiveStatus, value: impl Fn(&NodeStatus) -> Option<T>) -> Vec<(String, T)> {
    let labelled = |node: &NodeStatus| Some((format!("node=\"{}\"", node.role.word()), value(node)?));
    status.nodes.iter().filter_map(labelled).collect()
}

/// The text so far. Writing to it cannot fail.
#[derive(Default)]
struct Exposition {
    text: String,
}

impl Exposition {
    fn counter(&mut self, name: &str, help: &str, values: Vec<(String, u64)>) {
        self.head(name, "", "counter", help);
        values.into_iter().for_each(|(labels, value)| self.value(name, "_total", &labels, value));
    }

    fn gauge<T: Display>(&mut self, name: &str, unit: &str, help: &str, values: Vec<(String, T)>) {
        let name = self.head(name, unit, "gauge", help);
        values.into_iter().for_each(|(labels, value)| self.value(&name, "", &labels, value));
    }

    fn latency(&mut self, name: &str, help: &str, latency: &Latency) {
        let name = self.head(name, "seconds", "histogram", help);
        let mut so_far = 0;
        let edges = EDGES_US.iter().map(|edge_us| format!("{:?}", *edge_us as f64 / 1e6));
        for (bar, edge) in latency.bars.iter().zip(edges.chain(["+Inf".to_owned()])) {
            so_far += bar;
            self.value(&name, "_bucket", &format!("le=\"{edge}\""), so_far);
        }
        self.value(&name, "_count", "", latency.count());
        self.value(&name, "_sum", "", latency.sum_us as f64 / 1e6);
    }

    /// Gives the name with its unit, which the format wants at its end.
    fn head(&mut self, name: &str, unit: &str, kind: &str, help: &str) -> String {
        let name = if unit.is_empty() { name.to_owned() } else { format!("{name}_{unit}") };
        let _ = writeln!(self.text, "# TYPE hingeclock_{name} {kind}");
        if !unit.is_empty() {
            let _ = writeln!(self.text, "# UNIT hingeclock_{name} {unit}");
        }
        let _ = writeln!(self.text, "# HELP hingeclock_{name} {help}");
        name
    }

    fn value(&mut self, name: &str, ending: &str, labels: &str, value: impl Display) {
        let labels = if labels.is_empty() { String::new() } else { format!("{{{labels}}}") };
        let _ = writeln!(self.text, "hingeclock_{name}{ending}{labels} {value}");
    }
}
