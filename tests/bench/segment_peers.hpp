// Independent programs for change points and broken lines, beside ours on the same series in the same run.
#pragma once

namespace nightwatt::bench {

/// Prints time and edges found of r-bioc-dnacopy and r-cran-segmented (Debian) and of ours; says so where they miss.
void segment_peers();

}  // namespace nightwatt::bench
