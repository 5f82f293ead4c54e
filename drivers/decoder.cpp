#include "drivers/decoder.hpp"
