#include "rig.hpp"

#include <cstdlib>
#include <filesystem>
#include <random>

#include "copier.hpp"
#include "figures/run_recorder.hpp"
#include "schema.hpp"

namespace nightwatt::mirror::test {

Folder::Folder() {
  std::string name = (std::filesystem::temp_directory_path() / "nightwatt-rig-XXXXXX").string();
  path_ = ::mkdtemp(name.data());
}

Folder::~Folder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

std::vector<Reading> night(std::int64_t begin_us, std::uint32_t seed, int seconds) {
  std::mt19937 random(seed);
  std::vector<Reading> readings;
  for (int i = 0; i < seconds; ++i) {
    if (random() % 997 == 0) continue;
    const std::int64_t level = i < 60 ? 0 : i < seconds / 2 ? 180 : 520;
    Reading reading;
    reading.time = UtcTime{begin_us + i * second_us + static_cast<std::int64_t>(random() % 5000)};
    reading.values.set(Quantity::power, {level == 0 ? 0 : level + static_cast<std::int64_t>(random() % 7) - 3, -2});
    if (random() % 3 != 0) reading.values.set(Quantity::voltage, {2298 + static_cast<std::int64_t>(random() % 5), -1});
    readings.push_back(reading);
  }
  return readings;
}

storage::RunId record(storage::StoreWriter& store, const std::string& meter, const std::string& device,
                      const std::vector<Reading>& readings, bool ended) {
  must(store.begin());
  const auto stream = must(store.stream_for_meter(meter));
  storage::NewRun fresh;
  fresh.stream = stream;
  fresh.device = device;
  fresh.begin = readings.front().time;
  fresh.traits.resolution_w = 0.01;
  const auto run = must(store.open_run(fresh));
  must(store.apply(storage::AppendReadings{stream, readings}));
  must(store.commit());
  auto builder = must(figures::RunRecorder::resume(store.reader(), run));
  for (const Reading& reading : readings) builder.push(reading);
  must(store.begin());
  must(ended ? builder.finish(store, readings.back().time) : builder.save(store));
  storage::Event event;
  event.at = readings.back().time;
  event.detail = "version 0";
  must(store.apply(event));
  must(store.commit());
  return run;
}

Result<std::int64_t> mirror_once(const std::string& conninfo, const std::string& store, const std::string& rig,
                                 Cancellation& cancellation) {
  auto reader = storage::StoreReader::open(store);
  if (!reader) return tl::unexpected(reader.error());
  auto server = Server::connect(conninfo, cancellation);
  if (!server) return tl::unexpected(server.error());
  if (auto ready = prepare_schema(*server); !ready) return tl::unexpected(ready.error());
  Copier copier(*server, *reader, rig, [](const std::string& text) { FAIL(text); });
  if (auto begun = copier.begin(); !begun) return tl::unexpected(begun.error());
  if (auto done = copier.pass(true, [] { return false; }); !done) return tl::unexpected(done.error());
  return copier.copied();
}

std::int64_t mirror_once(const std::string& conninfo, const std::string& store, const std::string& rig) {
  Cancellation cancellation;
  return must(mirror_once(conninfo, store, rig, cancellation));
}

std::string lines_of(const std::string& path) {
  const auto store = must(storage::StoreReader::open(path));
  std::string text;
  for (const auto& stream : must(store.streams()))
    must(store.readings(stream.id, UtcTime{0}, UtcTime{std::int64_t{1} << 60}, [&](const Reading& reading) {
      text += std::to_string(stream.id) + "|" + std::to_string(reading.time.us);
      for (const Quantity quantity : {Quantity::power, Quantity::voltage}) {
        const auto value = reading.values.get(quantity);
        text += "|" + (value ? value->text() : "");
      }
      text += "\n";
      return true;
    }));
  if (!text.empty()) text.pop_back();
  return text;
}
std::string lines_of(const Postgres& server, const std::string& rig) {
  return server.sql(
      "SELECT stream, (extract(epoch FROM at) * 1000000)::bigint, power_w, voltage_v FROM nightwatt.reading "
      "WHERE rig = (SELECT id FROM nightwatt.rig WHERE name = '" +
      rig + "') ORDER BY stream, at");
}

}  // namespace nightwatt::mirror::test
