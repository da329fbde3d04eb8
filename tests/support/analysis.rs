//! A virtual bucket through the two paths of the analysis.

use hingeclock::detect::{AnalysisParams, LiveAnalysis, OfflineAnalysis, Swing};
use hingeclock::device::virtual_glove::VirtualBucket;

/// All at once.
pub fn offline(bucket: &VirtualBucket) -> Vec<Swing> {
    let mut analysis = OfflineAnalysis::new(&bucket.device, AnalysisParams::default());
    bucket.arrivals.iter().for_each(|arrival| analysis.push(arrival));
    analysis.finish().swings
}

/// As the player plays.
pub fn live(bucket: &VirtualBucket) -> Vec<Swing> {
    let mut analysis = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
    let mut swings: Vec<Swing> =
        bucket.arrivals.iter().filter_map(|arrival| analysis.push(arrival)).map(|live| live.swing).collect();
    swings.extend(analysis.finish().map(|live| live.swing));
    swings
}
