//! Writes a raw CSV with its device and markers files: the reader's counterpart.

use super::count_grid::format_value;
use super::csv_row::COLUMNS;
use super::device_file::device_text;
use super::marker_file::{MARKER_COLUMNS, marker_line};
use crate::sample::{Arrival, DeviceDescription, ImuSample, Marker};
use crate::units::HostTime;
use std::io::{self, Write};

/// Decimals of an angular rate in °/s.
const RATE_DECIMALS: usize = 3;
/// Decimals of a specific force in g.
const FORCE_DECIMALS: usize = 5;

/// The header line of a raw CSV.
#[must_use]
fn csv_header() -> String {
    COLUMNS.join(",") + "\n"
}

/// One row of a raw CSV, its line end included. Values on the sensor's count grid get 3 decimals (°/s) or
/// 5 (g), others the shortest form that reads back the same.
#[must_use]
pub fn csv_line(sample: &ImuSample, device: Option<&DeviceDescription>) -> String {
    let node = device.and_then(|device| device.node(sample.role));
    let rate = |value: f64| format_value(value, RATE_DECIMALS, node.map(|node| node.gyro_full_scale_dps));
    let force = |value: f64| format_value(value, FORCE_DECIMALS, node.map(|node| node.acc_full_scale_g));
    let [gx, gy, gz] = sample.rate_dps.map(rate);
    let [ax, ay, az] = sample.specific_force_g.map(force);
    let host = sample.received.map_or_else(String::new, |host| host.0.to_string());
    let (t, node, seq) = (sample.t.0, sample.role.number(), sample.seq);
    format!("{t},{node},{seq},{gx},{gy},{gz},{ax},{ay},{az},{host}\n")
}

/// Writes samples and markers in order of arrival to three files.
#[derive(Debug)]
pub struct CsvWriter<W: Write> {
    rows: W,
    markers: W,
    device: DeviceDescription,
    /// The latest time at which a sample arrived so far.
    latest_host: Option<HostTime>,
    /// Markers that wait for the next sample, to be placed before it.
    waiting: Vec<(Option<HostTime>, Marker)>,
    /// Samples and markers written so far.
    written: (u64, u64),
}

/// Markers that wait for the next sample at most.
const WAITING_AT_MOST: usize = 1000;

impl<W: Write> CsvWriter<W> {
    /// Starts the three files; the one that describes the glove is written whole.
    ///
    /// # Errors
    /// What the files say.
    pub fn new(rows: W, markers: W, mut about: W, device: DeviceDescription) -> io::Result<CsvWriter<W>> {
        about.write_all(device_text(&device).map_err(io::Error::other)?.as_bytes())?;
        about.flush()?;
        let mut writer =
            CsvWriter { rows, markers, device, latest_host: None, waiting: Vec::new(), written: (0, 0) };
        writer.rows.write_all(csv_header().as_bytes())?;
        writer.markers.write_all((MARKER_COLUMNS.join(",") + "\n").as_bytes())?;
        Ok(writer)
    }

    /// Writes what arrived next. A marker whose host time would bring it to another place when it is read back, or
    /// that has none, is given one that keeps it there: not before the samples written, and under that of the next.
    ///
    /// # Errors
    /// What the files say.
    pub fn write(&mut self, arrival: &Arrival) -> io::Result<()> {
        match arrival {
            Arrival::Sample(sample) => self.write_sample(sample),
            Arrival::Marker { received, marker } => {
                self.waiting.push((*received, marker.clone()));
                if self.waiting.len() < WAITING_AT_MOST { Ok(()) } else { self.write_waiting(None) }
            }
        }
    }

    fn write_sample(&mut self, sample: &ImuSample) -> io::Result<()> {
        self.write_waiting(sample.received)?;
        self.latest_host = self.latest_host.max(sample.received);
        self.written.0 += 1;
        self.rows.write_all(csv_line(sample, Some(&self.device)).as_bytes())
    }

    fn write_waiting(&mut self, next: Option<HostTime>) -> io::Result<()> {
        let before_next = next.map(|next| HostTime(next.0.saturating_sub(1)));
        for (received, marker) in std::mem::take(&mut self.waiting) {
            let host = received.max(self.latest_host).or(before_next).unwrap_or(HostTime(0));
            self.write_marker(before_next.map_or(host, |latest| host.min(latest)), &marker)?;
        }
        Ok(())
    }

    fn write_marker(&mut self, host: HostTime, marker: &Marker) -> io::Result<()> {
        self.written.1 += 1;
        self.markers.write_all(marker_line(host, marker).as_bytes())
    }

    /// Ends both files; gives them back with the number of samples and markers written.
    ///
    /// # Errors
    /// What the files say.
    pub fn finish(mut self) -> io::Result<(W, W, (u64, u64))> {
        self.write_waiting(None)?;
        self.rows.flush()?;
        self.markers.flush()?;
        Ok((self.rows, self.markers, self.written))
    }
}
