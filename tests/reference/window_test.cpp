// Window figures against tests/reference/data/windows.csv (sources in its first lines: Heinzel,
// Ruediger and Schilling 2002; the figures of the others computed from Harris's coefficients).
#include "dsp/window.h"

#include <doctest/doctest.h>

#include <string>

#include "reference/reference_table.h"
#include "within.h"

using namespace sinewright;

namespace {

struct Named {
  const char* row;
  WindowKind kind;
};

constexpr Named kWindows[] = {
    {"Rectangular", WindowKind::kRectangular},
    {"Hann", WindowKind::kHann},
    {"Hamming", WindowKind::kHamming},
    {"Blackman (0.42/0.50/0.08)", WindowKind::kBlackman},
    {"Exact Blackman", WindowKind::kExactBlackman},
    {"Blackman-Harris 3-term -67 dB", WindowKind::kBlackmanHarris3},
    {"Blackman-Harris 4-term -92 dB", WindowKind::kBlackmanHarris4},
    {"Nuttall4b", WindowKind::kNuttall4b},
    {"Nuttall4c", WindowKind::kNuttall4c},
    {"HFT70", WindowKind::kHft70},
    {"HFT90D", WindowKind::kHft90d},
    {"HFT95", WindowKind::kHft95},
    {"HFT116D", WindowKind::kHft116d},
    {"HFT144D", WindowKind::kHft144d},
    {"HFT169D", WindowKind::kHft169d},
    {"HFT196D", WindowKind::kHft196d},
    {"HFT223D", WindowKind::kHft223d},
    {"HFT248D", WindowKind::kHft248d},
};

}  // namespace

TEST_CASE("window figures agree with the published ones") {
  const auto rows = reference_table("windows.csv");
  for (const Named& named : kWindows) {
    CAPTURE(named.row);
    bool is_found = false;
    for (const ReferenceRow& row : rows) {
      if (row.at("window") != named.row) continue;
      is_found = true;
      // Half a unit of the last printed digit; the side lobe is searched on a grid of 1/256 bin.
      CHECK(within(enbw_bins(named.kind), number(row, "enbw_bins"), 0.00005001));
      CHECK(
          within(scalloping_loss_db(named.kind), number(row, "max_amplitude_error_db"), 0.000051));
      CHECK(within(highest_sidelobe_db(named.kind), number(row, "highest_sidelobe_db"), 0.01));
      if (!row.at("heinzel_enbw_bins").empty()) {
        CHECK(within(enbw_bins(named.kind), number(row, "heinzel_enbw_bins"), 0.000051));
        // Printed to 0.1 dB; the table's own first lines find up to 0.07 dB of difference.
        CHECK(within(highest_sidelobe_db(named.kind), number(row, "heinzel_sidelobe_db"), 0.08));
      }
    }
    CHECK(is_found);
  }
}

TEST_CASE("the 7-term Blackman-Harris window has side lobes of -180 dB") {
  // Common practice, no source: the set is known as the "-180 dB" one. A single wrong digit among
  // the leading ten of a coefficient raises the side lobes by decibels.
  CHECK(within(highest_sidelobe_db(WindowKind::kBlackmanHarris7), -180.0, 0.1));
}
