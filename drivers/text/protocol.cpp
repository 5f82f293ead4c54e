#include <array>

#include "drivers/protocols.hpp"
#include "text/decoder.hpp"
#include "text/line.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::text {

namespace {

constexpr std::int64_t most_columns = 256;
constexpr std::size_t key_limit = 64;  // bytes of a key in a line

constexpr std::array<std::string_view, 1> place_keys = {"field"};
const std::vector<std::string_view> form_words = {"csv", "key-value", "json"};
const std::vector<std::string_view> checksum_words = {"none", "xor"};

class Line final : public ProtocolOf<TextLineSettings> {
 public:
  [[nodiscard]] std::string_view table_remedy() const override { return "add [text-line] with its form"; }

  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    TextLineSettings settings;
    if (const auto form = table.word("form", form_words))
      settings.form = static_cast<TextForm>(*form);
    else if (!table.has("form"))
      table.need("form", "write form = \"csv\", \"key-value\" or \"json\"");
    if (const auto checksum = table.word("checksum", checksum_words))
      settings.checksum = static_cast<TextChecksum>(*checksum);
    return settings;
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return place_keys; }
  void read_place(ProfileTable& table, const ProtocolSettings& settings, ReadSpec& read) const override {
    const bool columns = settings.find<TextLineSettings>()->form == TextForm::csv;
    if (!table.has("field")) {
      table.need("field", columns ? "write the column's number, counted from 1" : "write the key's name");
    } else if (columns) {
      if (const auto column = table.integer("field", {1, most_columns})) read.column = static_cast<int>(*column);
    } else if (auto key = table.text("field", key_limit)) {
      read.key = std::move(*key);
    }
  }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    const auto& text = *settings.find<TextLineSettings>();
    return text_entry("form", form_words.at(static_cast<std::size_t>(text.form))) +
           text_entry("checksum", checksum_words.at(static_cast<std::size_t>(text.checksum)));
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings& settings) const override {
    return settings.find<TextLineSettings>()->form == TextForm::csv ? number_entry("field", read.column)
                                                                    : text_entry("field", read.key);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    Result<LineReader> reader = LineReader::make(*profile.protocol.find<TextLineSettings>(), profile.reads);
    if (!reader) return tl::unexpected(reader.error());
    return std::make_unique<LiveDecoder>(std::move(*reader), profile.on_change);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    Result<LineReader> reader = LineReader::make(*profile.protocol.find<TextLineSettings>(), profile.reads);
    if (!reader) return tl::unexpected(reader.error());
    return std::make_unique<CaptureLines>(std::move(*reader));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::text

namespace nightwatt {

const drivers::Protocol& TextLineSettings::protocol() {
  static const drivers::text::Line protocol;
  return protocol;
}

}  // namespace nightwatt
