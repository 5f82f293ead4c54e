#include "metrics.hpp"

#include <algorithm>
#include <charconv>
#include <string_view>

#include "measure/signal/digits.hpp"

namespace nightwatt::daemon::page {

FlushCounts counts_of(const FlushTimes& times) {
  FlushCounts result;
  for (std::size_t i = 0; i < times.counts.size(); ++i) result.counts[i] = times.counts[i].load();
  result.sum_s = static_cast<double>(times.sum_us.load()) * 1e-6;
  return result;
}

namespace {

// A label's value: backslash, quote and line feed are escaped (OpenMetrics 1.0, ABNF `escaped-char`).
std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\' || c == '"') out += '\\';
    if (c == '\n')
      out += "\\n";
    else
      out += c;
  }
  return out;
}

// Bucket ends are floats with a point, so that every program names a bucket alike (OpenMetrics 1.0, "Canonical
// Numbers").
std::string bucket_end(int milliseconds) {
  std::string text = digits_of(milliseconds / 1000.0);
  if (text.find('.') == std::string::npos) text += ".0";
  return "le=\"" + text + "\"";
}

class Text {
 public:
  explicit Text(MetricsForm form) : form_(form) {}
  // A unit is the end of the name too, as the format wants it. The older form knows neither units nor `info`, and calls
  // a counter's family as its samples.
  void family(std::string_view name, std::string_view type, std::string_view unit, std::string_view help) {
    name_ = "nightwatt_" + std::string(name);
    const bool older = form_ == MetricsForm::text;
    const std::string family = name_;
    if (older && type == "counter") name_ += "_total";
    if (older && type == "info") name_ += "_info";
    put("# TYPE ", older && type == "info" ? "gauge" : type);
    if (!unit.empty() && !older) put("# UNIT ", unit);
    put("# HELP ", help);
    name_ = family;
  }
  void sample(std::string_view suffix, const std::string& labels, const std::string& value) {
    text_ += name_;
    text_ += suffix;
    if (!labels.empty()) text_ += "{" + labels + "}";
    text_ += " " + value + "\n";
  }
  void gauge(std::string_view name, std::string_view unit, std::string_view help, double value) {
    family(name, "gauge", unit, help);
    sample("", "", digits_of(value));
  }
  void counter(std::string_view name, std::string_view help, std::uint64_t value) {
    family(name, "counter", "", help);
    sample("_total", "", std::to_string(value));
  }
  [[nodiscard]] std::string end() { return std::move(text_) + (form_ == MetricsForm::open ? "# EOF\n" : ""); }

 private:
  void put(std::string_view what, std::string_view value) {
    text_.append(what).append(name_).append(" ").append(value).append("\n");
  }
  MetricsForm form_;
  std::string name_;
  std::string text_;
};

/// The share of 1 that an Accept header gives a type (RFC 9110, 12.5.1); nothing where it does not name it.
std::optional<double> weight_of(std::string_view accept, std::string_view type) {
  while (!accept.empty()) {
    const std::size_t end = std::min(accept.find(','), accept.size());
    std::string_view entry = accept.substr(0, end);
    accept.remove_prefix(std::min(end + 1, accept.size()));
    while (!entry.empty() && entry.front() == ' ') entry.remove_prefix(1);
    if (entry.substr(0, type.size()) != type) continue;
    const std::string_view rest = entry.substr(type.size());
    if (!rest.empty() && rest.front() != ';' && rest.front() != ' ') continue;
    const std::size_t q = rest.find("q=");
    if (q == std::string_view::npos) return 1.0;
    double weight = 0.0;
    const std::string_view digits = rest.substr(q + 2);
    std::from_chars(digits.data(), digits.data() + digits.size(), weight);
    return weight;
  }
  return std::nullopt;
}

std::string meter_label(const MeterStatus& meter) {
  return "meter=\"" + escaped(meter.name) + "\"";
}

void put_meter_counter(Text& text, const State& state, std::string_view name, std::string_view help,
                       std::uint64_t MeterStatus::*count) {
  text.family(name, "counter", "", help);
  for (const MeterStatus& meter : state.service.meters)
    text.sample("_total", meter_label(meter), std::to_string(meter.*count));
}

/// Beside the power: what the meter gives, as long as it records.
void put_last_values(Text& text, const State& state) {
  struct Kind {
    std::string_view name, type, unit, help;
    std::optional<double> MeterStatus::*value;
  };
  constexpr Kind kinds[] = {{"voltage_volts", "gauge", "volts", "Of the last reading.", &MeterStatus::voltage_v},
                            {"current_amperes", "gauge", "amperes", "Of the last reading.", &MeterStatus::current_a},
                            {"energy_watt_hours", "gauge", "watt_hours",
                             "The meter's own counter; it may be set back at the meter.", &MeterStatus::energy_wh}};
  for (const Kind& kind : kinds) {
    text.family(kind.name, kind.type, kind.unit, kind.help);
    for (const MeterStatus& meter : state.service.meters)
      if (meter.*kind.value && meter.state == "recording")
        text.sample("", meter_label(meter), digits_of(*(meter.*kind.value)));
  }
}

void put_meters(Text& text, const State& state) {
  put_meter_counter(text, state, "readings", "Readings taken from the meter since the service started.",
                    &MeterStatus::readings);
  put_meter_counter(text, state, "faults", "Frames or lines of the meter that could not be read.",
                    &MeterStatus::faults);
  put_meter_counter(text, state, "gaps", "Holes in the readings: longer than ten seconds and five usual intervals.",
                    &MeterStatus::gaps);
  put_meter_counter(text, state, "meter_lost_readings", "Readings of the meter for which there was no room.",
                    &MeterStatus::lost);
  text.family("meter_recording", "gauge", "",
              "1 while readings come, 0 while the meter is silent or its port is away.");
  for (const MeterStatus& meter : state.service.meters)
    text.sample("", meter_label(meter), meter.state == "recording" ? "1" : "0");
  text.family("power_watts", "gauge", "watts", "The last reading; absent while the meter is not recording.");
  for (const MeterStatus& meter : state.service.meters)
    if (meter.power_w && meter.state == "recording") text.sample("", meter_label(meter), digits_of(*meter.power_w));
  put_last_values(text, state);
  text.family("last_reading_age_seconds", "gauge", "seconds", "How long ago the last reading was.");
  for (const MeterStatus& meter : state.service.meters)
    if (meter.age_s) text.sample("", meter_label(meter), digits_of(*meter.age_s));
}

void put_flushes(Text& text, const FlushCounts& flushes) {
  text.family("flush_seconds", "histogram", "seconds", "How long writing a batch to the store took.");
  std::uint64_t count = 0;
  for (std::size_t i = 0; i < FlushTimes::upto_ms.size(); ++i) {
    count += flushes.counts[i];
    text.sample("_bucket", bucket_end(FlushTimes::upto_ms[i]), std::to_string(count));
  }
  count += flushes.counts.back();
  text.sample("_bucket", "le=\"+Inf\"", std::to_string(count));
  text.sample("_sum", "", digits_of(flushes.sum_s));
  text.sample("_count", "", std::to_string(count));
}

}  // namespace

MetricsForm metrics_form(std::string_view accept) {
  const auto open = weight_of(accept, "application/openmetrics-text");
  const auto text = weight_of(accept, "text/plain");
  return text && *text > open.value_or(0.0) ? MetricsForm::text : MetricsForm::open;
}

std::string metrics_text(const State& state, const PageCounts& page, std::optional<std::int64_t> store_bytes,
                         MetricsForm form) {
  Text text(form);
  text.family("build", "info", "", "The version that runs.");
  text.sample("_info", "version=\"" + escaped(state.service.version) + "\"", "1");
  text.gauge("start_time_seconds", "seconds", "When the service started, Unix time.",
             static_cast<double>(state.service.since.us) * 1e-6);
  put_meters(text, state);
  text.counter("lost_readings", "Readings that never got into the store, of all meters.", state.service.lost);
  text.gauge("queue_readings", "readings", "Readings that wait to be stored.",
             static_cast<double>(state.service.queue));
  text.gauge("queue_limit_readings", "readings", "How many may wait before readings are lost.",
             static_cast<double>(state.queue_limit));
  text.gauge("store_paused", "", "1 while the store cannot be written.", state.service.paused ? 1.0 : 0.0);
  put_flushes(text, state.flushes);
  if (store_bytes)
    text.gauge("store_bytes", "bytes", "Size of the store with its write-ahead log.",
               static_cast<double>(*store_bytes));
  text.gauge("page_connections", "connections", "Connections to the page.", static_cast<double>(page.connections));
  text.gauge("page_streams", "streams", "Live streams of the page.", static_cast<double>(page.streams));
  text.counter("page_requests", "Requests to the page.", page.requests);
  text.counter("page_refused", "Requests to the page that were refused or made no sense.", page.refused);
  text.counter("page_dropped_streams", "Watchers that took nothing for too long.", page.dropped);
  return text.end();
}

}  // namespace nightwatt::daemon::page
