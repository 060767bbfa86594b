//! Every sentence of the decision step.
