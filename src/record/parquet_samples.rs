//! Samples and markers as Parquet, in order of arrival: the raw CSV's columns in a form that data programs read
//! at once.

use super::csv_row::COLUMNS;
use super::device_file::device_text;
use super::parquet_table::{Column, Fractions, TableWriter, Values};
use crate::sample::{Arrival, DeviceDescription, ImuSample, Marker};
use crate::units::HostTime;
use parquet::errors::{ParquetError, Result};
use std::io::Write;

/// Rows of a group: what is held in memory.
const GROUP: usize = 200_000;

/// Writes one file of samples and one of markers. The glove's description stands in the metadata of the first,
/// under `device`; `metadata` are further pairs of words, in both.
pub struct ParquetSamples<W: Write + Send> {
    samples: TableWriter<W>,
    markers: W,
    fractions: Fractions,
    metadata: Vec<(&'static str, String)>,
    waiting: Vec<ImuSample>,
    told: Vec<(Option<HostTime>, Marker)>,
    /// When the last sample that says so arrived.
    last_host: Option<HostTime>,
    /// Samples written so far.
    written: u64,
}

impl<W: Write + Send> ParquetSamples<W> {
    /// Starts both files.
    ///
    /// # Errors
    /// What the files say.
    pub fn new(
        samples: W,
        markers: W,
        device: &DeviceDescription,
        fractions: Fractions,
        metadata: Vec<(&'static str, String)>,
    ) -> Result<ParquetSamples<W>> {
        let about = device_text(device).map_err(|error| ParquetError::External(Box::new(error)))?;
        let of_samples = [&[("device", about)][..], &metadata].concat();
        let samples = TableWriter::new(samples, &sample_columns(&[]), fractions, &of_samples)?;
        let (waiting, told) = (Vec::new(), Vec::new());
        Ok(ParquetSamples {
            samples,
            markers,
            fractions,
            metadata,
            waiting,
            told,
            last_host: None,
            written: 0,
        })
    }

    /// Takes what arrived next.
    ///
    /// # Errors
    /// What the file says.
    pub fn write(&mut self, arrival: &Arrival) -> Result<()> {
        match arrival {
            Arrival::Sample(sample) => {
                self.last_host = sample.received.or(self.last_host);
                self.waiting.push(*sample);
            }
            // A marker without a time of its own came right after the sample before it.
            Arrival::Marker { received, marker } => {
                self.told.push((received.or(self.last_host), marker.clone()));
            }
        }
        if self.waiting.len() < GROUP { Ok(()) } else { self.write_group() }
    }

    fn write_group(&mut self) -> Result<()> {
        let samples = std::mem::take(&mut self.waiting);
        self.written += samples.len() as u64;
        if samples.is_empty() { Ok(()) } else { self.samples.write(&sample_columns(&samples)) }
    }

    /// Ends both files; tells how many samples and markers are in them.
    ///
    /// # Errors
    /// What the files say.
    pub fn finish(mut self) -> Result<(W, W, (u64, u64))> {
        self.write_group()?;
        let columns = marker_columns(&self.told);
        let mut markers = TableWriter::new(self.markers, &columns, self.fractions, &self.metadata)?;
        markers.write(&columns)?;
        Ok((self.samples.finish()?, markers.finish()?, (self.written, self.told.len() as u64)))
    }
}

fn sample_columns(samples: &[ImuSample]) -> Vec<Column> {
    let integer =
        |value: fn(&ImuSample) -> Option<i64>| Values::Integers(samples.iter().map(value).collect());
    let real = |place: usize| {
        let value = |s: &ImuSample| if place < 3 { s.rate_dps[place] } else { s.specific_force_g[place - 3] };
        Values::Reals(samples.iter().map(|sample| Some(value(sample))).collect())
    };
    let values = [
        integer(|sample| Some(sample.t.0)),
        integer(|sample| Some(i64::from(sample.role.number()))),
        integer(|sample| Some(i64::from(sample.seq))),
        real(0),
        real(1),
        real(2),
        real(3),
        real(4),
        real(5),
        integer(|sample| sample.received.map(|host| host.0)),
    ];
    COLUMNS.iter().zip(values).map(|(name, values)| Column { name: (*name).to_owned(), values }).collect()
}

fn marker_columns(told: &[(Option<HostTime>, Marker)]) -> Vec<Column> {
    let text = |of: fn((&str, &str)) -> String| {
        Values::Texts(told.iter().map(|(_, marker)| Some(of(marker.fields()))).collect())
    };
    let host = told.iter().map(|(host, _)| host.map(|host| host.0)).collect();
    let values = [
        ("host_us", Values::Integers(host)),
        ("kind", text(|(kind, _)| kind.to_owned())),
        ("value", text(|(_, value)| value.to_owned())),
    ];
    values.into_iter().map(|(name, values)| Column { name: name.to_owned(), values }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::NodeRole;
    use crate::units::DeviceTime;

    fn sample(received: Option<i64>) -> Arrival {
        let zero = [0.0; 3];
        let (role, received) = (NodeRole::Hand, received.map(HostTime));
        let sample =
            ImuSample { role, seq: 0, t: DeviceTime(0), rate_dps: zero, specific_force_g: zero, received };
        Arrival::Sample(sample)
    }

    #[test]
    fn a_marker_without_a_time_has_the_last_one_of_a_sample() {
        let device = DeviceDescription::default();
        let mut writer =
            ParquetSamples::new(Vec::new(), Vec::new(), &device, Fractions::Plain, Vec::new()).unwrap();
        let marker = Arrival::Marker { received: None, marker: Marker::Club("iron".to_owned()) };
        // What was asked for again has no time of arrival, and a group may just have gone to the file.
        let asked_again = [sample(Some(7)), sample(None), marker.clone()];
        let after_a_group = (0..GROUP - 2).map(|_| sample(Some(9))).chain([marker]);
        for arrival in asked_again.into_iter().chain(after_a_group) {
            writer.write(&arrival).unwrap();
        }
        assert!(writer.waiting.is_empty());
        let told: Vec<_> = writer.told.iter().map(|(host, _)| *host).collect();
        assert_eq!(told, [Some(HostTime(7)), Some(HostTime(9))]);
    }
}
