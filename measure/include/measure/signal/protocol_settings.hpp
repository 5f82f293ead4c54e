// What one protocol's profile says beyond what all have in common, as a value of the protocol's own type.
#pragma once

#include <memory>
#include <string_view>
#include <typeinfo>
#include <utility>

namespace nightwatt {

/// Holds settings of any protocol. A settings type has `static constexpr std::string_view protocol_name`, the word in a
/// profile file, and is comparable. Empty until one is assigned.
class ProtocolSettings {
 public:
  ProtocolSettings() = default;
  template <class Settings, class = decltype(Settings::protocol_name)>
  ProtocolSettings(Settings settings) : held_(std::make_unique<Of<Settings>>(std::move(settings))) {}
  ProtocolSettings(const ProtocolSettings& other) : held_(other.held_ ? other.held_->copy() : nullptr) {}
  ProtocolSettings(ProtocolSettings&&) noexcept = default;
  ProtocolSettings& operator=(ProtocolSettings other) noexcept {
    held_ = std::move(other.held_);
    return *this;
  }
  ~ProtocolSettings() = default;

  /// Those of this protocol, or nullptr.
  template <class Settings>
  [[nodiscard]] const Settings* find() const {
    return held_ && held_->type() == typeid(Settings) ? &static_cast<const Of<Settings>*>(held_.get())->settings
                                                      : nullptr;
  }
  template <class Settings>
  [[nodiscard]] Settings* find() {
    return held_ && held_->type() == typeid(Settings) ? &static_cast<Of<Settings>*>(held_.get())->settings : nullptr;
  }
  /// Empty where there are none.
  [[nodiscard]] std::string_view protocol_name() const { return held_ ? held_->name() : std::string_view(); }

  friend bool operator==(const ProtocolSettings& a, const ProtocolSettings& b) {
    if (!a.held_ || !b.held_) return a.held_ == b.held_;
    return a.held_->equals(*b.held_);
  }

 private:
  struct Held {
    Held() = default;
    Held(const Held&) = delete;
    Held& operator=(const Held&) = delete;
    virtual ~Held() = default;
    [[nodiscard]] virtual std::unique_ptr<Held> copy() const = 0;
    [[nodiscard]] virtual const std::type_info& type() const = 0;
    [[nodiscard]] virtual std::string_view name() const = 0;
    [[nodiscard]] virtual bool equals(const Held& other) const = 0;
  };
  template <class Settings>
  struct Of final : Held {
    explicit Of(Settings of) : settings(std::move(of)) {}
    [[nodiscard]] std::unique_ptr<Held> copy() const override { return std::make_unique<Of>(settings); }
    [[nodiscard]] const std::type_info& type() const override { return typeid(Settings); }
    [[nodiscard]] std::string_view name() const override { return Settings::protocol_name; }
    [[nodiscard]] bool equals(const Held& other) const override {
      return other.type() == typeid(Settings) && static_cast<const Of&>(other).settings == settings;
    }
    Settings settings;
  };

  std::unique_ptr<Held> held_;
};

}  // namespace nightwatt
