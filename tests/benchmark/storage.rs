//! What the promise of a recording costs on this disk: `cargo bench --bench storage` (`FOLDER=path`, `SECONDS=60`).
//!
//! Two nodes at 500 and at 1000 Hz, five samples a frame, committed as the daemon does; then a played bucket in other
//! forms, by bytes a sample. Prints; asserts nothing.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a benchmark that cannot run ends")]
#![allow(clippy::disallowed_methods, reason = "a benchmark measures time")]

#[path = "../support/recording.rs"]
mod recording;
#[path = "../support/shelf.rs"]
mod shelf;

use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::record::{
    FileDisk, FileStorage, Names, RecordingWriter, Storage, create_recording, export_csv, open_input,
};
use hingeclock::sample::{Arrival, ImuSample};
use hingeclock::units::HostTime;
use recording::{START_US, samples, session};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// The disk, and how long each of its syncs took, ms.
struct Timed(FileStorage, Arc<Mutex<Vec<f64>>>);

impl Storage for Timed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        let before = Instant::now();
        self.0.sync()?;
        self.1.lock().unwrap().push(before.elapsed().as_secs_f64() * 1e3);
        Ok(())
    }
}

fn measure(folder: &Path, rate_hz: i64, seconds: i64) {
    let (path, file) = create_recording(&mut FileDisk, folder, session().started).unwrap();
    let syncs = Arc::<Mutex<Vec<f64>>>::default();
    let mut writer = RecordingWriter::new(Timed(file, Arc::clone(&syncs)), &session()).unwrap();
    let frames = seconds * rate_hz / 5;
    let before = Instant::now();
    for frame in 0..frames {
        let received = HostTime(START_US + frame * 5_000_000 / rate_hz);
        for node in [0, 1] {
            writer.write(&samples(received, node, frame as u32 * 5, 5)).unwrap();
            writer.tick(received).unwrap();
        }
    }
    writer.finish().unwrap();
    let took_s = before.elapsed().as_secs_f64();
    let bytes = std::fs::metadata(&path).unwrap().len();
    std::fs::remove_file(path).unwrap();
    let mut ms = syncs.lock().unwrap().clone();
    ms.sort_by(f64::total_cmp);
    let share = |share: f64| ms[((ms.len() - 1) as f64 * share) as usize];
    println!(
        "{rate_hz:>5} Hz, {seconds} s: {} syncs, p50 {:.2} ms, p95 {:.2} ms, largest {:.1} ms; {:.1} bytes a \
         sample; written in {took_s:.2} s",
        ms.len(),
        share(0.5),
        share(0.95),
        share(1.0),
        bytes as f64 / (frames * 10) as f64,
    );
}

fn samples_in(bucket: &VirtualBucket) -> Vec<ImuSample> {
    let arrivals = bucket.arrivals.iter();
    let samples = arrivals.filter_map(|arrival| match arrival {
        Arrival::Sample(sample) => Some(*sample),
        Arrival::Marker { .. } => None,
    });
    samples.collect()
}

/// A container without thought: each sample a message of plain numbers, compressed chunks, all indexes.
fn naive_mcap(path: &Path, samples: &[ImuSample]) {
    let file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut writer = mcap::Writer::new(file).unwrap();
    let channel = writer.add_channel(0, "samples", "binary", &Default::default()).unwrap();
    for sample in samples {
        let mut data = vec![sample.role.number()];
        data.extend(sample.t.0.to_le_bytes());
        data.extend(sample.seq.to_le_bytes());
        for value in sample.rate_dps.iter().chain(&sample.specific_force_g) {
            data.extend((*value as f32).to_le_bytes());
        }
        let log_time = sample.received.map_or(0, |received| received.0.max(0) as u64 * 1000);
        let header = mcap::records::MessageHeader {
            channel_id: channel,
            sequence: sample.seq,
            log_time,
            publish_time: log_time,
        };
        writer.write_to_known_channel(&header, &data).unwrap();
    }
    writer.finish().unwrap();
}

#[cfg(feature = "parquet")]
fn parquet(path: &Path, bucket: &VirtualBucket, fractions: hingeclock::record::parquet_table::Fractions) {
    let file = |path: &Path| std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let markers = file(&path.with_extension("markers"));
    let mut writer = hingeclock::record::parquet_samples::ParquetSamples::new(
        file(path),
        markers,
        &bucket.device,
        fractions,
        Vec::new(),
    )
    .unwrap();
    bucket.arrivals.iter().for_each(|arrival| writer.write(arrival).unwrap());
    let (samples, markers, _) = writer.finish().unwrap();
    drop((samples.into_inner().unwrap(), markers.into_inner().unwrap()));
}

/// The same samples in several forms.
fn forms(folder: &Path) {
    let bucket = shelf::bucket(10, 0);
    let samples = samples_in(&bucket);
    let told = |what: &str, name: &str| {
        let bytes = std::fs::metadata(folder.join(name)).unwrap().len();
        println!("{what}: {:.1} bytes a sample", bytes as f64 / samples.len() as f64);
    };
    let session = shelf::session("Robin", 0);
    shelf::put(folder, "a.mcap", &session, &shelf::recorded(&bucket, &session));
    told("this recording, nothing compressed", "a.mcap");
    export_csv(open_input(&folder.join("a.mcap")).unwrap(), &folder.join("a.csv.gz"), Names::Keep).unwrap();
    told("raw CSV, gzipped", "a.csv.gz");
    naive_mcap(&folder.join("naive.mcap"), &samples);
    told("MCAP, a message a sample, zstd", "naive.mcap");
    #[cfg(feature = "parquet")]
    {
        use hingeclock::record::parquet_table::Fractions;
        parquet(&folder.join("split.parquet"), &bucket, Fractions::Split);
        told("Parquet, split by byte, zstd", "split.parquet");
        parquet(&folder.join("plain.parquet"), &bucket, Fractions::Plain);
        told("Parquet, plain, zstd", "plain.parquet");
    }
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let folder = std::env::var("FOLDER").map_or_else(|_| folder.path().to_owned(), Into::into);
    let seconds = std::env::var("SECONDS").map_or(60, |text| text.parse().unwrap());
    println!("{}", folder.display());
    [500, 1000].into_iter().for_each(|rate_hz| measure(&folder, rate_hz, seconds));
    let folder = tempfile::tempdir().unwrap();
    forms(folder.path());
}
