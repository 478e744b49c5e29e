//! The hot path allocates nothing: counted, not claimed. Filled in by the pipeline.
