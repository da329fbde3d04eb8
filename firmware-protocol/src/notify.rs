//! The same byte stream over a link of small packets, such as BLE notifications.

/// Cuts encoded bytes into the values of consecutive notifications, each as long as it may be. The host
/// joins them again by pushing them into a decoder one after the other; frames need not fit a value.
///
/// `value_len` is the longest value: for BLE the ATT MTU less 3. Nought is taken for one.
pub fn notifications(encoded: &[u8], value_len: usize) -> impl Iterator<Item = &[u8]> {
    encoded.chunks(value_len.max(1))
}
