"""The whole decision tried on invented studies of known truth: how often is it wrong?"""
