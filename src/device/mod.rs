//! Links to a glove: serial, replay, virtual glove; what arrives, in order.
