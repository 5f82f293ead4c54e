// The service's state in the OpenMetrics text format, version 1.0, for a program that collects such pages.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "state.hpp"

namespace nightwatt::daemon::page {

/// OpenMetrics, or the text that collectors understood before it.
enum class MetricsForm : std::uint8_t { open, text };
/// By a request's Accept header: OpenMetrics, unless the older text is wanted more.
[[nodiscard]] MetricsForm metrics_form(std::string_view accept);
inline constexpr const char* metrics_content_type = "application/openmetrics-text; version=1.0.0; charset=utf-8";
inline constexpr const char* metrics_text_type = "text/plain; version=0.0.4; charset=utf-8";

/// What the page says of itself.
struct PageCounts {
  std::uint64_t connections = 0;  ///< now
  std::uint64_t streams = 0;      ///< now
  std::uint64_t requests = 0;
  std::uint64_t refused = 0;  ///< answered with 4xx or 5xx, or not at all
  std::uint64_t dropped = 0;  ///< watchers that took nothing for too long
};

/// `store_bytes`: main file and write-ahead log; none where they cannot be looked at.
[[nodiscard]] std::string metrics_text(const State& state, const PageCounts& page,
                                       std::optional<std::int64_t> store_bytes, MetricsForm form = MetricsForm::open);

}  // namespace nightwatt::daemon::page
