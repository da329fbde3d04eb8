//! Writes a raw CSV with its device and markers files: the reader's counterpart.

use super::count_grid::format_value;
use super::csv_row::COLUMNS;
use super::device_file::device_text;
use super::marker_file::{MARKER_COLUMNS, marker_line};
use crate::sample::{Arrival, DeviceDescription, ImuSample};
use crate::units::HostTime;
use std::io::{self, Write};

/// Decimals of an angular rate in °/s.
const RATE_DECIMALS: usize = 3;
/// Decimals of a specific force in g.
const FORCE_DECIMALS: usize = 5;

/// The header line of a raw CSV.
#[must_use]
pub fn csv_header() -> String {
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
    last_host: Option<HostTime>,
    /// Markers without a host time that came before any sample with one.
    early: Vec<crate::sample::Marker>,
    /// Samples and markers written so far.
    pub written: (u64, u64),
}

/// Markers that may wait for the first host time.
const EARLY_AT_MOST: usize = 1000;

impl<W: Write> CsvWriter<W> {
    /// Starts the three files; the one that describes the glove is written whole.
    ///
    /// # Errors
    /// What the files say.
    pub fn new(rows: W, markers: W, mut about: W, device: DeviceDescription) -> io::Result<CsvWriter<W>> {
        about.write_all(device_text(&device).map_err(io::Error::other)?.as_bytes())?;
        about.flush()?;
        let mut writer =
            CsvWriter { rows, markers, device, last_host: None, early: Vec::new(), written: (0, 0) };
        writer.rows.write_all(csv_header().as_bytes())?;
        writer.markers.write_all((MARKER_COLUMNS.join(",") + "\n").as_bytes())?;
        Ok(writer)
    }

    /// Writes what arrived next. A marker without a host time gets that of the sample before it, so that
    /// it is read back in the same place.
    ///
    /// # Errors
    /// What the files say.
    pub fn write(&mut self, arrival: &Arrival) -> io::Result<()> {
        match arrival {
            Arrival::Sample(sample) => self.write_sample(sample),
            Arrival::Marker { received, marker } => match received.or(self.last_host) {
                Some(host) => self.write_marker(host, marker),
                None if self.early.len() < EARLY_AT_MOST => {
                    self.early.push(marker.clone());
                    Ok(())
                }
                None => Err(io::Error::other(format!(
                    "expected at most {EARLY_AT_MOST} markers before the first host time, found more"
                ))),
            },
        }
    }

    fn write_sample(&mut self, sample: &ImuSample) -> io::Result<()> {
        if let Some(host) = sample.received {
            self.last_host = Some(host);
            self.write_early(HostTime(host.0 - 1))?;
        }
        self.written.0 += 1;
        self.rows.write_all(csv_line(sample, Some(&self.device)).as_bytes())
    }

    fn write_early(&mut self, host: HostTime) -> io::Result<()> {
        for marker in std::mem::take(&mut self.early) {
            self.write_marker(host, &marker)?;
        }
        Ok(())
    }

    fn write_marker(&mut self, host: HostTime, marker: &crate::sample::Marker) -> io::Result<()> {
        self.written.1 += 1;
        self.markers.write_all(marker_line(host, marker).as_bytes())
    }

    /// Ends both files.
    ///
    /// # Errors
    /// What the files say.
    pub fn finish(mut self) -> io::Result<(W, W)> {
        self.write_early(HostTime(0))?;
        self.rows.flush()?;
        self.markers.flush()?;
        Ok((self.rows, self.markers))
    }
}
