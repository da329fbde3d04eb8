//! What a reader sees of a bucket: the JSON object, the table, the statistics, the page.
