//! Links to a glove: serial, replay, virtual glove; what arrives, in order.
pub mod virtual_glove;
