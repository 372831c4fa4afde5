#include "bench/e_series.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

#include "reference/reference_table.h"

using namespace sinewright;

namespace {

ESeries series_named(const std::string& name) {
  for (const ESeries series : {ESeries::kE12, ESeries::kE24, ESeries::kE96}) {
    if (name == name_of(series)) return series;
  }
  throw std::runtime_error("no series " + name);
}

}  // namespace

TEST_CASE("E12, E24 and E96 are those of IEC 60063, complete and exact") {
  // e_series.csv: IEC 60063 as reproduced in public tables.
  std::size_t rows = 0;
  for (const ReferenceRow& row : reference_table("e_series.csv")) {
    CAPTURE(row.at("series"));
    CAPTURE(row.at("index"));
    const auto decade = decade_of(series_named(row.at("series")));
    const auto index = static_cast<std::size_t>(number(row, "index"));
    REQUIRE(index < decade.size());
    CHECK(decade[index] == std::lround(100 * number(row, "value")));
    ++rows;
  }
  CHECK(rows == 12 + 24 + 96);
  CHECK(decade_of(ESeries::kE12).size() == 12);
  CHECK(decade_of(ESeries::kE24).size() == 24);
  CHECK(decade_of(ESeries::kE96).size() == 96);
}

TEST_CASE("E24 keeps the eight values that its formula does not give, and 43, not 42") {
  // IEC 60063: 2.7 3.0 3.3 3.6 3.9 4.3 4.7 8.2.
  std::vector<int> odd;
  const auto decade = decade_of(ESeries::kE24);
  for (std::size_t n = 0; n < decade.size(); ++n) {
    const auto rounded = std::lround(10 * std::pow(10, static_cast<double>(n) / 24)) * 10;
    if (decade[n] != rounded) odd.push_back(decade[n]);
  }
  CHECK(odd == std::vector<int>{270, 300, 330, 360, 390, 430, 470, 820});
}

TEST_CASE("values are the doubles that one would write") {
  CHECK(values_between(ESeries::kE24, 0.42, 0.48) == std::vector<double>{0.43, 0.47});
  CHECK(values_between(ESeries::kE96, 9.7, 10.3) == std::vector<double>{9.76, 10.0, 10.2});
  CHECK(values_between(ESeries::kE12, 4700, 5600) == std::vector<double>{4700, 5600});
  CHECK(values_between(ESeries::kE24, 1, 9.99).size() == 24);
  const auto all = values_between(ESeries::kE96, 1, 1e6);
  CHECK(all.size() == 6 * 96 + 1);
  CHECK(std::is_sorted(all.begin(), all.end()));
  CHECK(values_between(ESeries::kE24, 94, 96).empty());
}

TEST_CASE("bounds out of order are the caller's error") {
  CHECK_THROWS_AS((void)values_between(ESeries::kE24, 10, 9), std::invalid_argument);
  CHECK_THROWS_AS((void)values_between(ESeries::kE24, 0, 9), std::invalid_argument);
  CHECK_THROWS_AS((void)values_between(ESeries::kE24, std::nan(""), 9), std::invalid_argument);
}
