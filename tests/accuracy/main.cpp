// Prints the accuracy table, aim beside measured.
//
//   sinewright_accuracy [PROGRAM REFERENCE]     exits with 1 when an aim is missed
//
// Without the two programs batch speed is left out: a test should not depend on what else runs.

#include <fmt/format.h>

#include <exception>
#include <iostream>

#include "accuracy/table.h"

namespace sinewright {

std::string fixed(double value, int digits) { return fmt::format("{:.{}f}", value, digits); }

namespace {

int print_table(const std::vector<std::string>& programs) {
  int missed = 0;
  const auto print = [&missed](const std::vector<AccuracyRow>& rows) {
    for (const AccuracyRow& row : rows) {
      std::cout << fmt::format("| {} | {} | {} | {} | {} |", row.what, row.under, row.aim,
                               row.measured, row.is_met ? "met" : "MISSED")
                << std::endl;
      if (!row.is_met) ++missed;
    }
  };
  std::cout << "| what | under | aim | measured | |\n| --- | --- | --- | --- | --- |" << std::endl;
  print(floor_rows());
  print(content_rows());
  print(estimator_rows());
  print(response_rows());
  if (!programs.empty()) print(batch_rows(programs[0], programs[1]));
  if (missed > 0) std::cout << missed << " missed\n";
  return missed == 0 ? 0 : 1;
}

}  // namespace
}  // namespace sinewright

int main(int argc, char** argv) {
  if (argc != 1 && argc != 3) {
    std::cerr << "usage: sinewright_accuracy [PROGRAM REFERENCE]\n";
    return 2;
  }
  try {
    return sinewright::print_table({argv + 1, argv + argc});
  } catch (const std::exception& error) {
    std::cerr << "sinewright_accuracy: " << error.what() << "\n";
    return 1;
  }
}
